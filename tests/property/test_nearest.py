"""The nearest change is exact: with it the decision flips, and with one minor unit, unit or second less it doesn't.

The decision is that of `evaluate` and `choose` on a campaign of the one offer: whether its gift is claimed. The source
is rule 2.36 with the design.
"""

from datetime import datetime, timedelta

from hypothesis import event, example, given, note
from hypothesis import strategies as st

from makeweight.domain.campaigns import Cautions, Offer
from makeweight.domain.changes import GOODS, Change, applied, apply, chained
from makeweight.domain.choose import choose
from makeweight.domain.moments import Window
from makeweight.domain.nearest import nearest
from makeweight.domain.orders import Destination, Order
from makeweight.domain.qualify import evaluate, judge_one
from makeweight.domain.reasons import amount, span
from makeweight.domain.values import replaced
from tests.support.build import CURRENCY, PLACED, TIN, WEEK, campaign, line, live, offer, order

BRANDS, CATEGORIES, SKUS = ["Alder", "Birch", "Cedar"], ["ink", "paper"], ["s1", "s2", "s3"]
LANES = ["any", "ground", "air"]
BRUTE = 150  # smaller amounts that are tried one by one
_instants = st.one_of(
    st.sampled_from([WEEK.start, WEEK.end]).flatmap(
        lambda edge: st.integers(-3_000_000, 3_000_000).map(lambda us: edge + timedelta(microseconds=us))
    ),
    st.integers(-400_000, 1_000_000).map(lambda s: WEEK.start + timedelta(seconds=s)),
)


def _some(names):
    return st.lists(st.sampled_from(names), max_size=2, unique=True)


@st.composite
def lines(draw):
    """Any line of an order: also gift cards, free ones, cancelled and zero units, and what was added later."""
    units = draw(st.integers(0, 4))
    charged = draw(st.integers(0, 900)) if draw(st.integers(0, 5)) else 0
    return line(
        charged,
        units,
        total_list=draw(st.none() | st.integers(charged, charged + 400)),
        brand=draw(st.sampled_from([*BRANDS, ""])),
        sku=draw(st.sampled_from(SKUS)),
        categories=draw(_some(CATEGORIES)),
        kind=draw(st.sampled_from(["goods", "goods", "goods", "goods", "gift_card", "wrap"])),
        cancelled_units=draw(st.sampled_from([0, 0, draw(st.integers(0, units))])),
        added_at=draw(st.none() | st.none() | _instants),
    )


@st.composite
def orders(draw):
    """An order in the window or beside it; the discount may exceed the goods."""
    bought = draw(st.lists(lines(), max_size=6))
    placed_at = draw(st.sampled_from([PLACED, draw(_instants)]))
    total = sum(one.total_charged for one in bought)
    discount = draw(st.sampled_from([0, draw(st.integers(0, total + 50)), draw(st.integers(0, 60))]))
    order_class = draw(st.sampled_from(["retail", "retail", "retail", "staff"]))
    return order(
        *bought,
        discount=discount,
        placed_at=placed_at,
        order_class=order_class,
        paid_at=draw(st.none() | st.integers(-5, 10 * 86_400).map(lambda s: placed_at + timedelta(seconds=s))),
        destination=Destination(
            draw(st.sampled_from(["IE", "IE", "FR", ""])),
            draw(st.sampled_from(["", "", "D"])),
            draw(st.sampled_from(LANES)),
        ),
        service=draw(st.sampled_from(["standard", "express"])),
        age_answer=draw(st.sampled_from([None, "adult", "minor"])),
    )


@st.composite
def gifts(draw):
    """The tin as something that goes by some lanes, to adults, not everywhere, or without customs data."""
    dangerous, adult = draw(st.sampled_from([("3", "none"), ("none", "adult"), ("3", "adult"), ("none", "none")]))
    lanes = draw(st.sampled_from([["ground"], ["air"], ["ground", "air"]]))
    never_to = draw(st.sampled_from([[], [], ["FR"], ["FR", "IE"], ["GB"], ["IE-D"], ["IE", "FR", "GB"]]))
    home = draw(st.sampled_from(["", "", "IE", "GB"]))
    members = {
        "cautions": Cautions(dangerous, adult, "none", lanes=lanes, never_to=never_to),
        "customs": draw(st.sampled_from([TIN.customs, None])),
        "ships_from": home,
        "same_customs_area": draw(st.sampled_from([[], ["FR"]])) if home else [],
    }
    return {TIN.gift: replaced(TIN, **members)}


@st.composite
def offers(draw):
    """Every measure, basis, word and scope; now and then with conditions, or a gift that not every parcel may carry."""
    by = draw(st.sampled_from(["total", "line", "unit", "any", "units"]))
    lists = {"brands": BRANDS, "categories": CATEGORIES, "skus": SKUS, "not_skus": SKUS[:1], "not_categories": ["ink"]}
    asks = {name: draw(_some(of)) for name, of in lists.items() if draw(st.integers(0, 2)) == 0}
    rules = {
        "only_to": st.just(frozenset({"IE", "GB"})),
        "services": st.just(frozenset({"standard"})),
        "paid_within_days": st.integers(1, 7),
        "top_up": st.just(value=True),
        "gifts": gifts(),
    }
    asks |= {name: draw(rule) for name, rule in rules.items() if draw(st.integers(0, 5)) == 0}
    word = draw(st.sampled_from(["at_least", "over"])) if by != "any" else "at_least"
    most = 1 if by == "any" else 12 if by == "units" else 2500
    basis = draw(st.sampled_from(["charged", "before_discount"]))
    return offer(by=by, basis=basis, **{word: draw(st.integers(1, most))}, **asks)


def earned(placed: Order, asked: Offer) -> bool:
    """Whether the order earns the offer: it is live when the order is placed, and its gift is claimed."""
    on = live(campaign(asked, window=asked.window), at=placed.placed_at)
    return bool(choose(placed, evaluate(placed, on), on, ()).claims)


def known_places(asked: Offer) -> set[str]:
    """The countries that a change may name: where the gift is at home, the market, and those that it is made for."""
    tin = asked.gifts[TIN.gift]
    found = {tin.ships_from, *tin.same_customs_area, "IE"} - {""}
    return found & asked.only_to if asked.only_to else found | asked.only_to


def may_be_sent(placed: Order, asked: Offer, to: str) -> bool:
    """Whether the gift may go to a country by any lane, to an adult."""
    ways = [replaced(placed, destination=Destination(to, "", lane), age_answer="adult") for lane in LANES]
    return any(asked.gifts[TIN.gift].withheld(way) is None for way in ways)


def less(change: Change, at: int, by: int = 1) -> Change:
    """The change with one of its parts smaller."""
    parts = change.parts
    found = chained([replaced(part, amount=part.amount - by) if i == at else part for i, part in enumerate(parts)])
    assert found is not None
    return found


def said(part: Change) -> str:
    """The amount of a part as its words must have it."""
    if part.kind == "units":
        return "one more unit" if part.amount == 1 else f"{part.amount} more units"
    if part.kind in ("placed_earlier", "placed_later"):
        return span(part.amount)
    if part.kind == "purchase" and part.amount == 1:
        return "one item bought"
    if part.kind == "paid":
        return "paid by "
    return amount(part.amount, CURRENCY) if part.kind in GOODS else part.to


@given(orders(), offers())
def test_the_change_flips_the_decision_and_less_does_not(placed, asked):
    """Declined by class, window, value, scope or purchase: with the change it is earned; each part is the least."""
    if earned(placed, asked):
        return
    change = nearest(placed, asked)
    scope = asked.scope
    if change is None:
        empty = (scope.skus and scope.skus <= scope.not_skus) or (
            scope.categories and scope.categories <= scope.not_categories
        )
        assert empty or not any(asked.gift is None or may_be_sent(placed, asked, to) for to in known_places(asked)), (
            "only a scope that holds no goods at all, and a gift that may go nowhere that is known, have no change"
        )
        event("no goods can be in scope" if empty else "nowhere to go")
        return
    note(change.text)
    event(" + ".join(part.kind for part in change.parts))
    assert earned(apply(placed, asked, change), asked)
    parts = change.parts
    for at, part in enumerate(parts):
        for to in asked.only_to if part.words.startswith("sent to") else ():
            other = [*parts[:at], replaced(part, to=to), *parts[at + 1 :]]
            assert earned(applied(placed, asked, other), asked) is (to in part.words)
        assert said(part) in part.words
        assert part.words in change.text
        assert part.words in change.how
        if part.amount:
            for by in range(1, min(part.amount, BRUTE) + 1):
                assert not earned(apply(placed, asked, less(change, at, by)), asked)
        else:
            rest = chained([other for other in parts if other is not part and other.kind != part.kind])
            assert not earned(apply(placed, asked, rest) if rest else placed, asked)


@given(orders(), offers())
def test_no_other_line_needs_less(placed, asked):
    """Where one line must reach the threshold, it is the one that lacks the least, be it a new one."""
    asked = offer(by="line", at_least=asked.threshold, basis=asked.basis, brands=asked.scope.brands)
    placed = replaced(placed, placed_at=PLACED, order_class="retail")
    change = None if earned(placed, asked) else nearest(placed, asked)
    if change is None or change.amount == 1:
        return
    for number in (None, *judge_one(placed, asked).lines):
        other = Change("line", change.amount - 1, "", line=number)
        assert not earned(apply(placed, asked, other), asked)


@given(orders(), offers(), st.integers(1, 40))
@example(
    order(line(0, brand="Alder"), line(50, brand="Birch"), line(50, brand="Birch"), discount=99),
    offer(brands=["Alder"], at_least=7),
    1,
)
def test_a_short_window_is_hit_or_missed_exactly(placed, asked, milliseconds):
    """A window may be shorter than the second that a change is told in: then it is opened in it, or there is none."""
    start = WEEK.start + timedelta(microseconds=250_000)
    short = Window(start, start + timedelta(milliseconds=25 * milliseconds))
    asked, placed = replaced(asked, window=short), replaced(placed, order_class="retail")
    change = None if earned(placed, asked) else nearest(placed, asked)
    if change is not None:
        assert earned(apply(placed, asked, change), asked)
        for at, part in enumerate(change.parts):
            assert not part.amount or not earned(apply(placed, asked, less(change, at)), asked)


def test_times_are_compared_with_their_offsets():
    """An order whose clock reads another offset moves by the same seconds."""
    placed = order(line(6000), placed_at=datetime.fromisoformat("2026-11-30T01:03:59+01:00"))
    change = nearest(placed, offer())
    assert change is not None
    assert (change.kind, change.amount, change.text) == ("placed_earlier", 240, "placed 4 minutes earlier")
