"""Campaign documents and orders drawn at random: all that the trade's rules know, little of each, and often at once.

Few amounts, thresholds and names, chosen so that they meet: what is drawn is near a boundary more often than not.
"""

from datetime import UTC, datetime, timedelta
from typing import Any

from hypothesis import strategies as st

from tests.support.reference_campaigns import may_stand_in

Json = dict[str, Any]

OPEN = {"dangerous_goods": "none", "age": "none", "food": "none"}
CUSTOMS = {"hs_code": "9609.10", "origin": "IE"}
START = datetime(2026, 11, 22, 23, 0, tzinfo=UTC)
MINUTES = [60, 120, 60, 120, 2939, 2939, 59, 2940]  # the window in Dublin begins at 60 and ends before 2940
ORDERS = ["O1", "O2", "O3"]
GIFTS = ["G1", "G2", "G3", "G4"]
SITES = ["N", "S"]
HUB = "H"  # ships no goods: a gift leaves it in a parcel of its own


def _one_of(*choices: Any) -> st.SearchStrategy[Any]:
    return st.sampled_from(choices)


# ---------------------------------------------------------------- campaigns

_CAUTIONS = _one_of(
    OPEN, OPEN, OPEN, OPEN, OPEN, OPEN, OPEN, OPEN,
    OPEN | {"carries": ["fragrance"]},
    OPEN | {"food": {"allergens": ["milk"]}},
    OPEN | {"dangerous_goods": {"class": "3", "lanes": ["ground"]}},
    OPEN | {"dangerous_goods": {"class": "3", "lanes": ["ground", "air"]}},
    OPEN | {"age": "adult"},
    OPEN | {"never_to": ["GB", "D"]},
    OPEN | {"never_to": ["IE-D"]},
    {"dangerous_goods": "none", "age": "none"},
)  # fmt: skip
_gifts = st.fixed_dictionaries(
    {"stated_value": _one_of(300, 300, 500), "cautions": _CAUTIONS, "customs": _one_of(CUSTOMS, None)}
)
_scopes = _one_of(
    {}, {}, {}, {}, {}, {}, {"brands": ["Alder"]}, {"brands": ["Alder", "Birch"]}, {"categories": ["ink"]},
    {"skus": ["s1", "s2"]}, {"not_skus": ["s1"]}, {"not_categories": ["paper"]},
    {"brands": ["Birch"], "not_categories": ["ink"]},
)  # fmt: skip
_money = _one_of(500, 900, 1000, 1, 500, 1000, 2000)
# Half of the offers ask for nothing more than goods, else hardly any would be given.
_members = (
    st.just({})
    | st.just({"clawback": "deduct"})
    | st.fixed_dictionaries(
        {},
        optional={
            "only_to": _one_of(["IE"], ["IE"], ["IE", "GB"]),
            "services": _one_of([], ["standard"]),
            "top_up": st.just(True),
            "paid_within_days": _one_of(1, 2),
            "clawback": _one_of("gift_back", "deduct", "deduct"),
        },
    )
)
_caps = st.just({}) | st.fixed_dictionaries(
    {}, optional={"per_order": st.integers(1, 3), "per_customer": st.integers(1, 2), "total": st.integers(1, 4)}
)


@st.composite
def offers(draw: st.DrawFn, number: int, gifts: dict[str, Json]) -> Json:
    """Any gift or benefit offer that a document may hold."""
    by = draw(_one_of("total", "total", "total", "line", "unit", "any", "units"))
    word = draw(_one_of("at_least", "at_least", "over"))
    counts = {"by": by, **draw(_scopes), "basis": draw(_one_of("charged", "charged", "before_discount"))}
    if by != "any":
        counts[word] = draw(st.integers(1, 3) if by == "units" else _money)
    if draw(_one_of(False, False, False, True)):
        counts["not_reduced"] = True
    offer = {"offer": f"o{number}", "says": "x", "counts": counts, **draw(_members), "caps": draw(_caps)}
    once = by == "total" and draw(st.booleans())
    if draw(_one_of(False, False, False, False, True)):
        offer["gives"] = {"benefit": "free_shipping"}
        offer.pop("clawback", None)
    else:
        for_each = word == "at_least" and by in ("total", "units") and not once and draw(st.booleans())
        offer["gives"] = {"for_each": for_each, **_given(draw, gifts)}
        when = draw(_one_of("next", "owed", "substitute", None))
        if when and (when != "substitute" or offer["gives"]["otherwise"]):
            offer["when_out"] = when
    if once:
        offer["value_used"] = "once"
    elif draw(st.booleans()):
        offer["group"] = draw(_one_of("g", "g", "h"))
    if draw(st.booleans()):
        offer["rank"] = draw(st.integers(1, 2))
    return offer


def _given(draw: st.DrawFn, gifts: dict[str, Json]) -> Json:
    """The gift, those that the customer may choose, those that stand in, and how it travels."""
    gift, *others = draw(st.permutations(GIFTS))
    gives = draw(
        st.fixed_dictionaries(
            {"units": _one_of(1, 1, 2)},
            optional={
                "choice": _one_of(others[:1], others[:2]),
                "rides_with": _one_of("first", "last", "trigger"),
                "own_parcel": _one_of([HUB], [HUB], ["S"]),
                "back_orders": _one_of("wait", "travel"),
            },
        )
    )
    # One that may not stand in for the announced gift is refused when it is published.
    instead = [name for name in others[1:] if may_stand_in(gifts[gift], gifts[name])]
    return {"gift": gift, **gives, "otherwise": instead}


@st.composite
def documents(draw: st.DrawFn) -> Json:
    """A campaign with one to five offers."""
    gifts = {name: {"gift": name, "title": name, **draw(_gifts)} for name in GIFTS}
    document = {
        "campaign": "c",
        "title": "x",
        "markets": ["IE"],
        "currency": "EUR",
        "zone": "Europe/Dublin",
        "from": "2026-11-23 00:00",
        "until": "2026-11-25 00:00",
        "gifts": [{k: v for k, v in gift.items() if v is not None} for gift in gifts.values()],
        "offers": [draw(offers(i, gifts)) for i in range(draw(_one_of(3, 4, 2, 5, 1)))],
    }
    return document | draw(
        st.fixed_dictionaries({}, optional={"ships_from": st.just("IE"), "classes": st.just(["retail", "staff"])})
    )


def stock_of(document: Json, units: list[int]) -> list[tuple[str, str, str, int]]:
    """Some stock for every gift of every offer at every site."""
    found, turn = [], 0
    for offer in document["offers"]:
        gives = offer["gives"]
        named = [gives["gift"], *gives["otherwise"], *gives.get("choice", ())] if "gift" in gives else []
        for gift in dict.fromkeys(named):
            for site in [*SITES, HUB]:
                count = units[turn % len(units)]
                turn += 1
                if count:
                    found.append((f"c/{offer['offer']}", gift, site, count))
    return found


# ---------------------------------------------------------------- orders

_instants = [(START + timedelta(minutes=minutes)).isoformat() for minutes in (60, 2939, 2940, 4380)]
_goods = _one_of(
    {"sku": "s1", "brand": "Alder", "categories": ["ink"]},
    {"sku": "s2", "brand": "Alder", "categories": ["paper"]},
    {"sku": "s2", "brand": "Birch", "categories": ["ink", "paper"]},
    {"sku": "s3", "brand": "Birch"},
    {"sku": "s4", "brand": "", "categories": ["brush"]},
    {"sku": "s4", "brand": "Cedar", "kind": "wrap"},
)
_charged = _one_of(1000, 500, 900, 1999, 2001, 333, 899, 1000, 1, 0)
_twists = _one_of(
    {}, {}, {}, {}, {"cancelled_units": 1}, {"cancelled_units": 3}, {"returned_units": 1}, {"returned_units": 1},
    {"returned_units": 3}, {"returned_units": 2, "faulty_units": 1}, {"returned_units": 1, "faulty_units": 1},
    {"cancelled_units": 1, "returned_units": 1},
)  # fmt: skip
_oddities = _one_of(
    {}, {}, {}, {"less": 1}, {"less": 400}, {"less": -100}, {"back_ordered": True}, {"back_ordered": True},
    {"added_at": _instants[0]}, {"added_at": _instants[1]}, {"added_at": _instants[2]}, {"added_at": _instants[3]},
)  # fmt: skip


@st.composite
def lines(draw: st.DrawFn, number: int) -> Json:
    """A line: some of it cancelled or sent back, reduced, added late or not there yet."""
    units, charged, twist, oddity = draw(_one_of(1, 2, 2, 3, 0)), draw(_charged), draw(_twists), draw(_oddities)
    line = {"number": number, "units": units, "total_charged": charged, **draw(_goods), "site": draw(_one_of(*SITES))}
    line |= {name: min(many, units) for name, many in twist.items()}
    line |= {name: value for name, value in oddity.items() if name != "less"}
    if "less" in oddity:
        line["total_list"] = max(0, charged + oddity["less"])
    return line


_ORDINARY = {
    "status": "amended", "market": "IE", "order_class": "retail", "destination": {"country": "IE", "lane": "ground"},
    "service": "standard", "age_answer": "adult",
}  # fmt: skip
_buyers = st.fixed_dictionaries(
    {"customer": _one_of("a", "a", "b", None), "discount": _one_of(0, 0, 0, 100, 333, 5000)},
    optional={"chosen_gift": _one_of(*GIFTS, "GX"), "paid": _one_of(0, 1, 1, 3)},
)
# What keeps an order or a gift out; most orders have none of it, or one thing.
_besides = _one_of(
    {}, {}, {}, {}, {}, {}, {"status": "placed"}, {"status": "cancelled"}, {"status": "cancelled"}, {"market": "UK"},
    {"order_class": "staff"}, {"order_class": "wholesale"}, {"destination": {"country": "IE"}},
    {"destination": {"country": "IE", "lane": "air"}}, {"destination": {"country": "IE", "area": "D"}},
    {"destination": {"country": "GB", "lane": "ground"}}, {"destination": {"country": "GB", "lane": "ground"}},
    {"destination": {"area": "D"}}, {"service": "express"}, {"service": ""}, {"age_answer": "minor"},
    {"age_answer": None},
)  # fmt: skip


@st.composite
def orders(draw: st.DrawFn) -> Json:
    """A snapshot of one of a few orders, in or out of the window."""
    at = START + timedelta(minutes=draw(_one_of(*MINUTES)))
    buyer = _ORDINARY | draw(_buyers) | draw(_besides)
    paid = buyer.pop("paid", None)
    return {
        "order": draw(_one_of(*ORDERS)),
        "revision": draw(st.integers(1, 3)),
        "placed_at": at.isoformat(),
        "revised_at": at.isoformat(),
        "currency": "EUR",
        "lines": [draw(lines(number)) for number in range(1, draw(_one_of(2, 3, 1, 4)) + 1)],
        **({} if paid is None else {"paid_at": (at + timedelta(days=paid)).isoformat()}),
        **buyer,
    }
