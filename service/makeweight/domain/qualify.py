"""What an order is worth to each offer: qualifying values, comparison words, multiples, near misses, charged prices."""

from collections.abc import Iterable, Sequence
from dataclasses import field
from typing import NamedTuple

from makeweight.domain.book import Ladder, Live, Shelf
from makeweight.domain.campaigns import Offer
from makeweight.domain.moments import Instant
from makeweight.domain.money import prorate
from makeweight.domain.orders import Line, Order
from makeweight.domain.reasons import Reason
from makeweight.domain.values import value

NEAR_MISS_PERCENT = 10  # an order is a near miss when it lies less than this below the threshold (common practice)
# Only these classes take part in promotions: the others are the trade's usual exclusions (common practice).
ELIGIBLE_CLASSES = frozenset({"retail"})


class Counted(NamedTuple):
    """A line as it counts: live units, charged after its share of order discounts, and its list total."""

    line: Line
    units: int
    charged: int
    before: int


@value
class Judgement:
    """What one offer says of one order: its qualifying value ``worth / per`` beside the threshold.

    ``worth`` is in minor units (in units where the offer counts units), ``per`` is above 1 only for a unit price that
    is no whole number. ``wanted`` counts gift units after the per-order cap.
    """

    offer: str
    revision: int
    qualifies: bool
    worth: int
    threshold: int
    wanted: int = 0
    per: int = 1
    near_miss: bool = False
    reason: Reason | None = None
    winner: str | None = None
    lines: list[int] = field(default_factory=list)
    asked: int = 0

    @property
    def gap(self) -> int:
        """Minor units (or units) missing to the threshold; where the word is 'over', one more than the difference."""
        return max(0, self.threshold - self.worth // self.per)


@value
class PriceCheck:
    """A line on a price offer: what was charged beside what was advertised, in minor units for the whole line.

    ``due`` is what the customer paid too much; below 0, too little. 0 is a line charged as advertised.
    """

    offer: str
    revision: int
    line: int
    sku: str
    charged: int
    advertised: int

    @property
    def due(self) -> int:
        """Charged minus advertised."""
        return self.charged - self.advertised


@value
class Evaluation:
    """An order against every live offer that can match it: those it meets or nearly meets, and the price checks."""

    campaigns: dict[str, int]
    judgements: list[Judgement]
    prices: list[PriceCheck] = field(default_factory=list)


def counted_lines(order: Order) -> list[Counted]:
    """The goods of the order as they count towards thresholds.

    Gift cards, wrap, services, donations and shipping never count. The order-level discount is shared over the goods
    in proportion to their charged totals, by largest remainder.
    """
    counted = []
    for line in order.lines:
        if line.kind == "goods":
            listed = line.total_charged if line.total_list is None else line.total_list
            if line.cancelled_units:
                counted.append(
                    Counted(line, line.live_units, line.live_share(line.total_charged), line.live_share(listed))
                )
            else:
                counted.append(Counted(line, line.units, line.total_charged, listed))
    if order.discount and counted:
        goods = sum(c.charged for c in counted)
        shares = prorate(min(order.discount, goods), [c.charged for c in counted])
        counted = [c._replace(charged=c.charged - share) for c, share in zip(counted, shares, strict=True)]
    return counted


def evaluate(order: Order, live: Live) -> Evaluation:
    """Judge an order by the live offers. Cancelled and excluded orders want nothing and get no judgements."""
    if order.status == "cancelled" or order.order_class not in ELIGIBLE_CLASSES:
        return Evaluation({}, [])
    if not live.offers:
        return Evaluation(live.revisions, [])
    counted = counted_lines(order)
    matched: dict[int, tuple[Shelf, list[Counted]]] = {}
    for item in counted:
        for shelf in live.shelves_of(item.line):
            hit = matched.get(id(shelf))
            if hit is None:
                matched[id(shelf)] = (shelf, [item])
            else:
                hit[1].append(item)
    judgements: list[Judgement] = []
    prices: list[PriceCheck] = []
    for shelf, items in matched.values():
        _judge_shelf(shelf, items, judgements, prices)
    for shelf in live.whole_order:
        if shelf.scope.not_skus or shelf.scope.not_categories:
            _judge_shelf(shelf, [c for c in counted if shelf.scope.holds(c.line)], judgements, prices)
        else:
            _judge_shelf(shelf, counted, judgements, prices)
    return Evaluation(live.revisions, judgements, prices)


def _judge_shelf(shelf: Shelf, items: Sequence[Counted], judgements: list[Judgement], prices: list[PriceCheck]) -> None:
    for item in items:
        if item.line.added_at is not None:
            # Value added after the window's end makes no new entitlement.
            items = [i for i in items if i.line.added_at is None or i.line.added_at < shelf.end]
            break
    for offer in shelf.priced:
        prices.extend(_checks(offer, items))
    for ladder in shelf.ladders:
        worth, per = measure(ladder.by, items, before_discount=shelf.before_discount)
        reached = ladder.reached(worth, per)
        judgements.extend([_qualified(offer, worth, per, items) for offer in ladder.offers[:reached]])
        if reached < len(ladder.offers):
            judgements.extend(_near_misses(ladder, reached, worth, per, items))


def measure(by: str, items: Iterable[Counted], *, before_discount: bool = False) -> tuple[int, int]:
    """The qualifying value of some counted lines as a fraction (numerator, denominator).

    total: sum of the lines; line: the largest line; unit: the largest price of one unit, exact; units: how many;
    any: 1 if at least one unit was bought at a price above zero, else 0.
    """
    if by == "units":
        return sum([item.units for item in items]), 1
    if by == "any":
        return int(any(item.units > 0 and item.charged > 0 for item in items)), 1
    values = [(item.before if before_discount else item.charged, item.units) for item in items]
    if by == "total":
        return sum([amount for amount, _ in values]), 1
    if by == "line":
        return max((amount for amount, _ in values), default=0), 1
    best, per = 0, 1
    for amount, units in values:
        if units > 0 and amount * per > best * units:
            best, per = amount, units
    return best, per


def _qualified(offer: Offer, worth: int, per: int, items: Sequence[Counted]) -> Judgement:
    times = worth // offer.threshold if offer.for_each else 1
    asked = wanted = times * offer.units
    reason = None
    if offer.order_cap is not None and wanted > offer.order_cap:
        wanted, reason = offer.order_cap, Reason.ORDER_CAP
    lines = _earning(offer, items)
    return Judgement(
        offer.key, offer.revision, True, worth, offer.threshold, wanted, per, False, reason, None, lines, asked
    )


def _earning(offer: Offer, items: Sequence[Counted]) -> list[int]:
    """Numbers of the lines that earned the offer: all that count together, or those that meet it each alone."""
    if offer.by in ("total", "units"):
        return [item.line.number for item in items]
    if offer.by == "any":
        return [item.line.number for item in items if item.units > 0 and item.charged > 0]
    before = offer.basis == "before_discount"
    found = []
    for item in items:
        worth, per = measure(offer.by, [item], before_discount=before)
        if worth > offer.threshold * per or (worth == offer.threshold * per and not offer.strict):
            found.append(item.line.number)
    return found


def _near_misses(ladder: Ladder, reached: int, worth: int, per: int, items: Sequence[Counted]) -> list[Judgement]:
    """T - 10 % <= V < T (V <= T where the word is 'over'); an order worth nothing misses nothing."""
    near: list[Judgement] = []
    if worth <= 0 or ladder.by == "any":
        return near
    lines = [item.line.number for item in items]
    for offer in ladder.offers[reached:]:
        if 100 * worth < (100 - NEAR_MISS_PERCENT) * offer.threshold * per:
            break
        near.append(
            Judgement(
                offer.key,
                offer.revision,
                False,
                worth,
                offer.threshold,
                per=per,
                near_miss=True,
                reason=Reason.BELOW_THRESHOLD,
                lines=lines,
            )
        )
    return near


def _checks(offer: Offer, items: Iterable[Counted]) -> list[PriceCheck]:
    """Charged and advertised are compared before order-level discounts, for the units not cancelled."""
    checks = []
    for item in items:
        line = item.line
        charged = line.live_share(line.total_charged)
        if offer.kind == "price":
            price = offer.prices.get(line.sku)
            if price is not None and item.units > 0:
                checks.append(PriceCheck(offer.key, offer.revision, line.number, line.sku, charged, price * item.units))
        elif item.units > 0 and line.total_list is not None:
            # 'Up to n %': no item may be reduced by more. The floor is rounded down, in the customer's favour.
            floor = item.before * (100 - offer.up_to_percent) // 100
            advertised = min(max(charged, floor), item.before)
            checks.append(PriceCheck(offer.key, offer.revision, line.number, line.sku, charged, advertised))
    return checks


def judge_one(order: Order, offer: Offer) -> Judgement:
    """One offer on one order, recorded or not: for explanations, which also tell of offers that were far off."""
    counted = counted_lines(order)
    items = [
        c
        for c in counted
        if offer.scope.holds(c.line) and (c.line.added_at is None or c.line.added_at < offer.window.end)
    ]
    worth, per = measure(offer.by, items, before_discount=offer.basis == "before_discount")
    if Ladder(offer.by, [offer]).reached(worth, per):
        return _qualified(offer, worth, per, items)
    reason = Reason.NO_PURCHASE if offer.by == "any" else Reason.BELOW_THRESHOLD
    near = bool(_near_misses(Ladder(offer.by, [offer]), 0, worth, per, items))
    lines = [item.line.number for item in items]
    return Judgement(offer.key, offer.revision, False, worth, offer.threshold, 0, per, near, reason, None, lines)


def in_window(offer: Offer, placed_at: Instant) -> bool:
    """Whether an order placed at the instant could be judged by the offer at all."""
    return offer.window.holds(placed_at)
