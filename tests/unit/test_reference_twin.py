"""The two models of the further rules against each other: who takes part, values, destinations, what is kept.

One scans dictionaries and counts in fractions, the other is SQL over tables. Both are of one reading of the documents,
so this finds slips; what the core makes of the same is compared elsewhere.
"""

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.reference import DESTINATION, Reference
from tests.support.reference_cases import campaign, line, offer, snapshot
from tests.support.twin import Twin

TWIN = Twin()
BEFORE_END, AFTER_END = "2026-11-29T23:59:59Z", "2026-11-30T00:00:00Z"


@st.composite
def offers(draw, number):
    """Any offer of the further rules that the twin knows, never with value used once."""
    by = draw(st.sampled_from(["total", "total", "line", "unit", "units", "any"]))
    counts = {
        "by": by,
        "not_reduced": draw(st.booleans()),
        "basis": draw(st.sampled_from(["charged", "before_discount"])),
    }
    if by != "any":
        word = draw(st.sampled_from(["at_least", "over"]))
        counts[word] = draw(st.integers(1, 3)) if by == "units" else draw(st.sampled_from([1, 500, 667, 1000]))
    if draw(st.booleans()):
        counts["brands"] = ["Alder"]
    for_each = "at_least" in counts and by in ("total", "units") and draw(st.booleans())
    members = {
        "top_up": draw(st.booleans()),
        "only_to": draw(st.sampled_from([[], ["IE"], ["IE", "GB"]])),
        "services": draw(st.sampled_from([[], ["standard"]])),
        "caps": draw(st.sampled_from([{}, {"per_order": 2}])),
    }
    return offer(f"o{number}", gives={"for_each": for_each, "units": draw(st.integers(1, 2))}, **members) | {
        "counts": counts
    }


@st.composite
def lines(draw, number):
    """Goods or not, reduced or not, late or not, of which some were cancelled and some came back."""
    units, charged = draw(st.integers(0, 3)), draw(st.sampled_from([0, 1, 333, 500, 1000, 2001]))
    cancelled = draw(st.sampled_from([0, 0, units]) | st.integers(0, units))
    returned = draw(st.integers(0, units - cancelled))
    return line(
        charged,
        units=units,
        number=number,
        brand=draw(st.sampled_from(["Alder", "Birch"])),
        kind=draw(st.sampled_from(["goods", "goods", "goods", "wrap"])),
        total_list=draw(st.sampled_from([None, charged, charged + 200])),
        added_at=draw(st.sampled_from([None, None, BEFORE_END, AFTER_END])),
        cancelled_units=cancelled,
        returned_units=returned,
        faulty_units=draw(st.integers(0, returned)),
    )


@st.composite
def events(draw, order):
    """The latest snapshot of an order."""
    some = [draw(lines(number)) for number in range(1, draw(st.integers(1, 4)) + 1)]
    return snapshot(
        order,
        *some,
        status=draw(st.sampled_from(["amended", "amended", "amended", "cancelled"])),
        discount=draw(st.sampled_from([0, 0, 100, 333, 4000])),
        order_class=draw(st.sampled_from(["retail", "retail", "staff", "replacement", "wholesale"])),
        destination={"country": draw(st.sampled_from(["IE", "GB", "FR", ""]))},
        service=draw(st.sampled_from(["standard", "express", ""])),
    )


@st.composite
def documents(draw):
    """A campaign for some classes."""
    classes = draw(st.sampled_from([None, ["retail"], ["staff", "wholesale"], ["retail", "staff"]]))
    found = [draw(offers(number)) for number in range(draw(st.integers(1, 4)))]
    return campaign(*found, **({"classes": classes} if classes else {}))


@settings(max_examples=60)
@given(document=documents(), bodies=st.tuples(*(events(order) for order in "ABC")))
def test_both_models_make_the_same_of_the_further_rules(document, bodies):
    """Who qualifies or nearly does and with what value, where the gift may not go, and what returns leave."""
    twin = TWIN.clear()
    twin.campaign(document)
    twin.orders(bodies)
    reference = Reference([document], [])
    measures = {f"week/{one['offer']}": one["counts"]["by"] for one in document["offers"]}
    judged, elsewhere, kept = set(), set(), set()
    for body in bodies:
        reference.order(body)
        order = body["order"]
        for key, (value, _, qualifies, near) in reference.qualifying(order).items():
            is_whole = measures[key] in ("total", "line", "units")
            judged.add((order, key, qualifies, near, value if is_whole else None))
        elsewhere |= {(order, key) for key, (reason, _) in reference.told(order).items() if reason == DESTINATION}
        kept |= {(order, key, units, refund) for key, (units, refund) in reference.kept(order).items()}
    assert twin.judged() == judged
    assert twin.elsewhere() == elsewhere
    assert twin.kept() == kept


def test_the_twin_on_ex26():
    """Ex-26 (common practice, no source): 15.00 of 60.00 come back, so 45.00 earn nothing of what needs 50.00."""
    twin = TWIN.clear()
    twin.campaign(campaign(offer(), offer("low", counts={"at_least": 4500})))
    twin.orders([snapshot("A", line(4500), line(1500, number=2, returned_units=1))])
    assert twin.kept() == {("A", "week/tin", 0, 1500), ("A", "week/low", 1, 1500)}
