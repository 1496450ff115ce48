"""The reference model against cases worked by hand: a judge that is itself wrong would be worse than none.

'Ex-n' is a worked example of the rules of the trade, 'Rule n' one of its rules.
"""

from itertools import permutations

import pytest

from tests.support.reference import NO_STOCK, NOT_WANTED, Reference, proration
from tests.support.reference_cases import OPEN, accounts, campaign, line, offer, outcome, played, snapshot

SERUM = line(3600, units=2, number=1, brand="Alder")
BRUSH = line(1200, number=2, brand="Birch")
OTHERS = (line(2500, number=3, kind="gift_card"), line(300, number=4, kind="wrap"))


@pytest.mark.parametrize(
    ("counts", "expected"),
    [
        ({"by": "total", "at_least": 4500}, (4320, 1, False, True)),
        ({"by": "total", "at_least": 4500, "basis": "before_discount"}, (4800, 1, True, False)),
        ({"by": "total", "at_least": 1, "brands": ["Alder"]}, (3240, 1, True, False)),
        ({"by": "line", "over": 3239}, (3240, 1, True, False)),
        ({"by": "unit", "over": 1600, "brands": ["Alder"]}, (3240, 2, True, False)),
        ({"by": "unit", "over": 1800, "brands": ["Alder"], "basis": "before_discount"}, (3600, 2, False, True)),
        ({"by": "unit", "over": 1801, "brands": ["Alder"]}, None),
        ({"by": "units", "at_least": 3}, (3, 1, True, False)),
        ({"by": "total", "at_least": 1, "not_skus": ["SKU-1"]}, (1080, 1, True, False)),
        ({"by": "total", "at_least": 1, "brands": ["Alder"], "skus": ["SKU-2"]}, None),
    ],
)
def test_ex1_value_by_basis_and_form(counts, expected):
    """Ex-1: 48.00 of goods less 10 %; gift card and wrap count nowhere. 16.20 a unit is not within 10 % of 18.01."""
    event = snapshot("A", SERUM, BRUSH, *OTHERS, discount=480, shipping_charged=490)
    reference = played([campaign(offer() | {"counts": counts})], [], event)
    assert reference.qualifying("A").get("week/tin") == expected


@pytest.mark.parametrize(("charged", "granted"), [(0, False), (50, True)])
def test_ex2_any_purchase_is_one_that_is_paid_for(charged, granted):
    """Ex-2: a sample at 0.00 is no purchase, a pin at 0.50 is one."""
    any_of_two = offer() | {"counts": {"by": "any", "brands": ["Birch", "Cedar"]}}
    reference = played(
        [campaign(any_of_two)], [("week/tin", "TIN", "main", 1)], snapshot("A", line(charged, brand="Cedar"))
    )
    assert (outcome(reference, "A") == ("granted", 1, 0, None)) == granted


@pytest.mark.parametrize(
    ("word", "charged", "expected"),
    [
        ("over", 5000, (5000, 1, False, True)),
        ("over", 5001, (5001, 1, True, False)),
        ("at_least", 5000, (5000, 1, True, False)),
        ("at_least", 4999, (4999, 1, False, True)),
        ("at_least", 4500, (4500, 1, False, True)),
        ("at_least", 4499, None),
    ],
)
def test_ex3_comparison_words_and_near_misses(word, charged, expected):
    """Ex-3: 'over 50' and 'spend 50' at their edges, and the edge of a near miss, 10 % below."""
    offers = offer() | {"counts": {"by": "total", word: 5000}}
    assert played([campaign(offers)], [], snapshot("A", line(charged))).qualifying("A").get("week/tin") == expected


def test_ex4_ex5_largest_remainder():
    """Ex-4 and Ex-5: shares add up to the discount, ties go to the earlier line."""
    assert proration(1000, [1999, 2499, 3334]) == [255, 319, 426]
    assert proration(1000, [700, 700, 700]) == [334, 333, 333]
    assert proration(1000, [0, 0]) == [0, 0]
    assert proration(1000, [300, 100]) == [300, 100]


@pytest.mark.parametrize(("charged", "caps", "units"), [(11999, {}, 2), (12000, {}, 3), (12000, {"per_order": 2}, 2)])
def test_ex6_one_for_each(charged, caps, units):
    """Ex-6: one tin for each 40, with and without a cap per order."""
    each = offer(counts={"at_least": 4000}, gives={"for_each": True}, caps=caps)
    reference = played([campaign(each)], [("week/tin", "TIN", "main", 9)], snapshot("A", line(charged)))
    assert outcome(reference, "A") == ("granted", units, 0, None)


def test_ex7_cancelled_units_no_longer_count():
    """Ex-7: a gift with each of three lamps, one of them cancelled; a broken cent of its total stays with the rest."""
    lamps = offer(counts={"by": "units", "at_least": 1}, gives={"for_each": True})
    event = snapshot("A", line(1000, units=3, cancelled_units=1))
    reference = played([campaign(lamps, offer("sum", counts={"at_least": 1}))], [("week/tin", "TIN", "main", 9)], event)
    assert outcome(reference, "A") == ("granted", 2, 0, None)
    assert reference.qualifying("A")["week/sum"] == (667, 1, True, False)


def test_ex8_customer_cap_counts_live_units():
    """Ex-8: one a customer; a cancelled order gives the allowance back; no customer, no cap."""
    capped = campaign(offer(caps={"per_customer": 1}))
    reference = played(
        [capped],
        [("week/tin", "TIN", "main", 9)],
        snapshot("A", line(5000), customer="c1"),
        snapshot("B", line(5000), customer="c1"),
        snapshot("C", line(5000)),
        snapshot("D", line(5000)),
    )
    assert outcome(reference, "B") == ("declined", 0, 0, "customer_cap")
    assert outcome(reference, "C") == outcome(reference, "D") == ("granted", 1, 0, None)
    reference.order(snapshot("A", line(5000), revision=2, status="cancelled", customer="c1"))
    reference.order(snapshot("E", line(5000), customer="c1"))
    assert outcome(reference, "A") is None
    assert outcome(reference, "E") == ("granted", 1, 0, None)
    assert outcome(reference, "B") == ("declined", 0, 0, "customer_cap"), "a decline is final until a new revision"


def test_ex10_total_cap_and_the_last_check_that_took_something():
    """Ex-10: of two orders for the last unit below the cap one gets it. Rule 2.5: caps before stock."""
    each = offer(counts={"at_least": 1000}, gives={"for_each": True}, caps={"total": 5})
    reference = played(
        [campaign(each)],
        [("week/tin", "TIN", "main", 4)],
        snapshot("A", line(3000)),
        snapshot("B", line(3000)),
        snapshot("C", line(3000)),
    )
    assert outcome(reference, "A") == ("granted", 3, 0, None)
    assert outcome(reference, "B") == ("granted", 1, 0, NO_STOCK), "3 wanted, 2 under the cap, 1 on the shelf"
    assert outcome(reference, "C") == ("declined", 0, 0, NO_STOCK), "one more under the cap, none on the shelf"
    reference.order(snapshot("A", line(1000), revision=2))
    reference.order(snapshot("D", line(9000)))
    assert outcome(reference, "D") == ("granted", 2, 0, NO_STOCK), "3 under the cap, but only the 2 that A gave back"


@pytest.mark.parametrize(("group", "second"), [(None, ("granted", 1, 0, None)), ("one", None)])
def test_ex12_stacking_and_groups(group, second):
    """Ex-12: ungrouped offers stack, of a group only the better ranked is claimed."""
    first = offer("tin", counts={"at_least": 3000, "brands": ["Alder"]}, group=group, rank=1)
    other = offer("big", counts={"at_least": 10000}, group=group, rank=2)
    stock = [("week/tin", "TIN", "main", 1), ("week/big", "TIN", "main", 1)]
    event = snapshot("A", line(3000, brand="Alder"), line(9000, number=2))
    reference = played([campaign(first, other)], stock, event)
    assert outcome(reference, "A") == ("granted", 1, 0, None)
    assert outcome(reference, "A", "week/big") == second


def test_rule_2_8_order_within_a_group():
    """Rule 2.8: rank, higher threshold, earlier start, smaller key; no rank is 1000."""
    first = campaign(
        offer("z-ranked", group="g", rank=999),
        offer("tier-50", group="g"),
        offer("tier-60", group="g", counts={"at_least": 6000}),
    )
    twins = [offer("b-late", group="g", when_out="next"), offer("a-late", group="g", when_out="next")]
    late = campaign(*twins, campaign="a-later", **{"from": "2026-11-23 01:00"})
    reference = played([first, late], [], snapshot("A", line(6000)))
    claimed = [offer_key for _, offer_key in reference.outcomes()]
    assert claimed == ["week/z-ranked", "week/tier-60", "week/tier-50", "a-later/a-late", "a-later/b-late"]


def test_ex13_next_of_the_group_and_a_new_choice_at_each_revision():
    """Ex-13: G1 is out, so G2. The holder keeps the claim though G1 is back, until it no longer qualifies."""
    offers = [
        offer("g1", group="g", rank=1),
        offer("g2", group="g", rank=2, counts={"at_least": 6000}),
    ]
    stock = [("week/g1", "TIN", "main", 1), ("week/g2", "TIN", "main", 1)]
    reference = played([campaign(*offers)], stock, snapshot("A", line(5000)), snapshot("B", line(6000)))
    assert outcome(reference, "B", "week/g1") == ("declined", 0, 0, NO_STOCK)
    assert outcome(reference, "B", "week/g2") == ("granted", 1, 0, None)
    reference.order(snapshot("A", revision=2, status="cancelled"))
    reference.order(snapshot("B", line(6100), revision=2))
    assert outcome(reference, "B", "week/g1") is None
    assert outcome(reference, "B", "week/g2") == ("granted", 1, 0, None)
    reference.order(snapshot("B", line(5000), revision=3))
    assert outcome(reference, "B", "week/g1") == ("granted", 1, 0, None)
    assert outcome(reference, "B", "week/g2") is None
    assert accounts(reference, offer_key="week/g2") == (1, 0, 0, 0)


def test_a_cap_decline_ends_the_choice():
    """How the stages talk: only a decline for stock moves on to the next of the group, and only with `next`."""
    capped = campaign(
        offer("g1", group="g", rank=1, caps={"total": 0}), offer("g2", group="g", rank=2, counts={"at_least": 1})
    )
    reference = played([capped], [("week/g2", "TIN", "main", 1)], snapshot("A", line(5000)))
    assert outcome(reference, "A", "week/g1") == ("declined", 0, 0, "campaign_cap")
    assert outcome(reference, "A", "week/g2") is None


@pytest.mark.parametrize("when_out", ["substitute", "owed"])
def test_only_next_moves_on(when_out):
    """Ex-13 with fall-through off: a substitute that is out too, or a gift owed, ends the choice."""
    first = offer("g1", group="g", rank=1, when_out=when_out, gives={"otherwise": ["TIN"]})
    reference = played(
        [campaign(first, offer("g2", group="g", rank=2))],
        [("week/g2", "TIN", "main", 1)],
        snapshot("A", line(5000)),
    )
    assert set(reference.outcomes()) == {("A", "week/g1")}


def test_the_first_place_with_enough_comes_before_the_fullest():
    """The order of the options is kept as long as one has all; an owed raise keeps its place in the queue."""
    each = offer(counts={"at_least": 1000}, gives={"for_each": True}, when_out="owed")
    stock = [("week/tin", "TIN", "N", 2), ("week/tin", "TIN", "S", 3)]
    reference = played([campaign(each)], stock, snapshot("A", line(2000, site="N"), line(0, number=2, site="S")))
    assert accounts(reference, site="N") == (0, 2, 0, 0)
    reference = played([campaign(each)], stock[1:], snapshot("B", line(3000, site="S")))
    for order, charged, revision in (("C", 1000, 1), ("D", 1000, 1), ("C", 3000, 2), ("B", 0, 2)):
        reference.order(snapshot(order, line(charged, site="S"), revision=revision))
    assert outcome(reference, "C") == ("granted", 3, 0, None)
    assert outcome(reference, "D") == ("owed", 0, 1, NO_STOCK)


@pytest.mark.parametrize(
    ("placed_at", "is_in"),
    [
        ("2026-10-26T03:59:59Z", False),
        ("2026-10-26T04:00:00Z", True),
        ("2026-11-02T04:59:59Z", True),
        ("2026-11-02T05:00:00Z", False),
    ],
)
def test_ex15_the_window_is_half_open_in_its_zone(placed_at, is_in):
    """Ex-15: 26 Oct to 1 Nov 2026 in New York, 169 hours."""
    week = campaign(offer(), zone="America/New_York", **{"from": "2026-10-26 00:00", "until": "2026-11-02 00:00"})
    reference = played([week], [], snapshot("A", line(5000), placed_at=placed_at))
    assert bool(reference.qualifying("A")) == is_in


def test_ex19_any_order_of_arrival_comes_to_the_same():
    """Ex-19: five snapshots of one order in all 120 orders; repeats and conflicts change nothing."""
    each = campaign(offer(counts={"at_least": 1000}, gives={"for_each": True}))
    events = [snapshot("A", line(charged), revision=at) for at, charged in enumerate((3000, 9000, 0, 5000, 2000), 1)]
    conflict = snapshot("A", line(9000), revision=5)
    for arrived in permutations(events):
        reference = played([each], [("week/tin", "TIN", "main", 9)], *arrived, events[2], conflict)
        assert outcome(reference, "A") == ("granted", 2, 0, None)
        assert accounts(reference) == (7, 2, 0, 0)


def test_ex21_the_revision_in_force_when_placed():
    """Ex-21: the threshold rises from 50 to 60 at noon."""
    revisions = [
        campaign(offer(), effective="2026-11-20T00:00:00Z"),
        campaign(offer(counts={"at_least": 6000}), revision=2, effective="2026-11-23T12:00:00Z"),
    ]
    reference = played(
        revisions,
        [],
        snapshot("A", line(5500), placed_at="2026-11-23T11:58:00Z"),
        snapshot("B", line(5500), placed_at="2026-11-23T12:00:00Z"),
    )
    assert reference.qualifying("A") == {"week/tin": (5500, 1, True, False)}
    assert reference.qualifying("B") == {"week/tin": (5500, 1, False, True)}
    with pytest.raises(ValueError, match="effective"):
        Reference([campaign(), campaign(revision=2)], [])


@pytest.mark.parametrize(("added_at", "granted"), [("2026-11-29T23:59:59Z", True), ("2026-11-30T00:00:00Z", False)])
def test_ex22_what_is_added_after_the_end_does_not_count(added_at, granted):
    """Ex-22: 48.00 in the window and 5.00 more, before its end or after."""
    before = line(4800)
    reference = played(
        [campaign(offer())],
        [("week/tin", "TIN", "main", 1)],
        snapshot("A", before),
        snapshot("A", before, line(500, number=2, added_at=added_at), revision=2, status="amended"),
    )
    assert (outcome(reference, "A") == ("granted", 1, 0, None)) == granted


def test_ex23_ex24_amended_below_before_and_after_the_release():
    """Ex-23: what is reserved goes back. Ex-24, 2.17: what is on the floor stays, and is packed with the box."""
    amended = {"revision": 2, "status": "amended"}
    reference = played(
        [campaign(offer())], [("week/tin", "TIN", "main", 2)], snapshot("A", line(5200)), snapshot("B", line(5200))
    )
    reference.released("B", "B/main")
    reference.order(snapshot("A", line(4700), **amended))
    reference.order(snapshot("B", line(4700), **amended))
    assert outcome(reference, "A") is None
    assert outcome(reference, "B") == ("granted", 1, 0, NOT_WANTED)
    assert accounts(reference) == (1, 0, 1, 0)
    reference.packed("B", "B/main")
    assert accounts(reference) == (1, 0, 0, 1)


def test_rule_2_16_what_is_granted_after_the_release_lies_on_a_second_ticket():
    """Rule 2.16 and S7: a released ticket is frozen, so its 'packed' says nothing of what came later."""
    each = campaign(offer(counts={"at_least": 1000}, gives={"for_each": True}))
    reference = played([each], [("week/tin", "TIN", "main", 5)], snapshot("A", line(1000)))
    reference.released("A", "A/main")
    reference.order(snapshot("A", line(3000), revision=2))
    reference.released("A", "A/main")
    reference.packed("A", "A/main")
    reference.packed("A", "A/main")
    assert accounts(reference) == (2, 2, 0, 1)
    reference.packed("A", "A/main/2")
    assert accounts(reference) == (2, 0, 0, 3)
    reference.order(snapshot("A", revision=3, status="cancelled"))
    assert accounts(reference) == (2, 0, 0, 3)
    assert outcome(reference, "A") == ("granted", 3, 0, NOT_WANTED)


def test_ex31_owed_units_wait_in_the_order_of_their_claims():
    """Ex-31: a queue, not a drop. Owed units count towards caps, are cut first, and are served oldest first."""
    each = offer(counts={"at_least": 1000}, gives={"for_each": True}, when_out="owed", caps={"total": 6})
    reference = played(
        [campaign(each)],
        [("week/tin", "TIN", "main", 2)],
        snapshot("A", line(2000)),
        snapshot("B", line(2000)),
        snapshot("C", line(3000)),
    )
    assert outcome(reference, "B") == ("owed", 0, 2, NO_STOCK)
    assert outcome(reference, "C") == ("owed", 0, 2, NO_STOCK), "the third is beyond the cap"
    reference.order(snapshot("B", line(1000), revision=2))
    assert outcome(reference, "B") == ("owed", 0, 1, NO_STOCK)
    reference.order(snapshot("A", revision=2, status="cancelled"))
    assert outcome(reference, "B") == ("granted", 1, 0, None)
    assert outcome(reference, "C") == ("granted", 1, 1, NO_STOCK)
    assert accounts(reference) == (0, 2, 0, 0)
    reference.order(snapshot("B", revision=3, status="cancelled"))
    assert outcome(reference, "C") == ("granted", 2, 0, "campaign_cap")


def test_substitutes_and_sites_in_the_order_of_preference():
    """Rule 2.9 and 2.19: sites of the lines that triggered it first, then others; then the substitute; one position."""
    both = offer(gives={"units": 2, "otherwise": ["PAD"]}, counts={"brands": ["Alder"]})
    south_first = (line(100, site="S"), line(5000, number=2, brand="Alder", site="N"))
    stock = [("week/tin", "TIN", "N", 1), ("week/tin", "TIN", "S", 3), ("week/tin", "PAD", "N", 1)]
    reference = played([campaign(both, gifts=("TIN", "PAD"))], stock, *(snapshot(o, *south_first) for o in "ABCD"))
    held = {order: (found["gift"], found["site"], found["units"]) for (order, _), found in reference.outcomes().items()}
    assert held == {
        "A": ("TIN", "S", 2),  # the first place that has both
        "B": ("TIN", "N", 1),  # none has, so the first of those with most
        "C": ("TIN", "S", 1),
        "D": ("PAD", "N", 1),
    }
    reference.order(snapshot("A", *south_first, revision=2, status="cancelled"))
    reference.order(snapshot("D", *south_first, revision=2))
    assert outcome(reference, "D") == ("granted", 1, 0, NO_STOCK), "two tins are free, but it holds a pad already"


@pytest.mark.parametrize("cautions", [{}, OPEN | {"food": "contains nuts"}, {"dangerous_goods": "none", "age": "none"}])
def test_an_unclear_gift_is_not_claimed(cautions):
    """Rule 2.33: unknown is blocked. The next of the group is claimed in its place."""
    blocked = campaign(offer(group="g", rank=1), offer("pad", gift="PAD", group="g", rank=2), gifts=("PAD",))
    blocked["gifts"].append({"gift": "TIN", "cautions": cautions})
    stock = [("week/tin", "TIN", "main", 1), ("week/pad", "PAD", "main", 1)]
    reference = played([blocked], stock, snapshot("A", line(5000)))
    assert outcome(reference, "A") is None
    assert outcome(reference, "A", "week/pad") == ("granted", 1, 0, None)


def test_benefits_are_claims_only_with_a_cap():
    """How the stages talk: a benefit without a cap is the desk's alone, one with a cap needs no stock."""
    ships_free = {"counts": {"by": "total", "over": 8000}, "gives": {"benefit": "free_shipping"}}
    offers = [{"offer": "free"} | ships_free, {"offer": "first", "caps": {"total": 1}} | ships_free]
    reference = played([campaign(*offers)], [], snapshot("A", line(8001)), snapshot("B", line(8001)))
    assert set(reference.qualifying("A")) == {"week/free", "week/first"}
    assert set(reference.outcomes()) == {("A", "week/first"), ("B", "week/first")}
    assert outcome(reference, "A", "week/first") == ("granted", 1, 0, None)
    assert outcome(reference, "B", "week/first") == ("declined", 0, 0, "campaign_cap")
    assert reference.balances() == {}


@pytest.mark.parametrize(
    "members", [{"order_class": "staff"}, {"market": "FR"}, {"currency": "USD"}, {"status": "cancelled"}]
)
def test_orders_that_take_no_part(members):
    """Rule 2.26, and that a first-seen cancelled snapshot is applied: nothing is claimed, nothing nearly missed."""
    reference = played([campaign(offer())], [("week/tin", "TIN", "main", 1)], snapshot("A", line(5000)) | members)
    assert reference.outcomes() == {}
    assert reference.qualifying("A") == {}
    assert accounts(reference) == (1, 0, 0, 0)


def test_a_claim_of_nothing_is_declined_as_not_wanted():
    """The ledger's own word on a claim of 0, which no outcome shows any more."""
    reference = played(
        [campaign(offer())], [], snapshot("A", line(5000)), snapshot("A", line(10), revision=2, status="amended")
    )
    claim = reference._ledger.claims["A", "week/tin"]  # noqa: SLF001 - only the ledger still knows of it
    assert (claim.outcome, claim.reason) == ("declined", NOT_WANTED)
    assert outcome(reference, "A") is None
