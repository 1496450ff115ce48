"""What an order is worth to each offer: comparison words, multiples, near misses, charged prices."""

from collections.abc import Collection, Mapping
from dataclasses import field

from makeweight.domain.book import Ladder, Live, Shelf
from makeweight.domain.campaigns import BackOrders, By, Clawback, Offer
from makeweight.domain.counted import Counted, counted_lines, kept_goods, measure
from makeweight.domain.moments import Instant, days_after
from makeweight.domain.orders import Order
from makeweight.domain.reasons import Reason
from makeweight.domain.values import replaced, value

NEAR_MISS_PERCENT = 10  # an order is a near miss when it lies less than this below the threshold (common practice)
# Why an order that meets an offer may not have it, before the other offers and the stock are looked at.
INELIGIBLE = frozenset({Reason.DESTINATION, Reason.UNPAID})


@value
class Kept:
    """What an offer would say of the goods that the customer keeps, once some have come back.

    ``units`` are the gift units that the kept goods earn, ``refund`` is what the returned goods cost, in minor units.
    Faulty goods count as kept. ``policy`` is the offer's, at the revision in force.
    """

    units: int
    refund: int
    policy: Clawback


@value
class Judgement:
    """What one offer says of one order: its qualifying value ``worth / per`` beside the threshold.

    ``worth`` is in minor units (in units where the offer counts units), ``per`` is above 1 only for a unit price that
    is no whole number. ``wanted`` counts gift units after the per-order cap. An order ``qualifies`` by its value
    alone; ``reason`` says why an offer that it meets is not claimed. ``pay_by`` is set while the order still has to be
    paid for the offer to stand, and where it was paid too late; ``kept`` where goods came back; ``back_orders`` is what
    the offer says of goods that are back-ordered. ``nearest`` tells the nearest change by which an offer that is nearly
    met or not claimed would have been earned, as a sentence goes on; '' where there is none. ``held_back`` says of an
    offer that is nearly met why its gift could not go with the order all the same; '' where it could.
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
    by: By = "total"
    strict: bool = False
    pay_by: Instant | None = None
    kept: Kept | None = None
    back_orders: BackOrders = "wait"
    nearest: str = ""
    held_back: str = ""

    @property
    def gap(self) -> int:
        """Minor units (or units) missing to the threshold; where the word is 'over', the least that exceeds it."""
        reached = -(-self.worth // self.per) - 1 if self.strict else self.worth // self.per
        return max(0, self.threshold - reached)


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


def evaluate(order: Order, live: Live, released_at: Instant | None = None, lapsed: Collection[str] = ()) -> Evaluation:
    """Judge an order by the live offers. Cancelled and excluded orders want nothing and get no judgements.

    ``released_at`` is when the first ticket of the order was released to the floor: what is added to it from then on
    tops up nothing. ``lapsed`` are offers whose time to pay has passed: only a payment in time brings them back.
    """
    if order.status == "cancelled" or order.order_class != live.order_class:
        return Evaluation({}, [])
    if not live.offers:
        return Evaluation(live.revisions, [])
    counted = counted_lines(order)
    late = returned = False
    for line in counted.lines:
        if line.added_at is not None:
            late = True
        if line.returned_units and line.live_units:
            returned = True
    judgements: list[Judgement] = []
    prices: list[PriceCheck] = []
    for shelf, places in _matched(counted, live):
        found = counted if places is None else counted.only(places)
        if late:
            found = _in_time(found, shelf.end, released_at, top_up=shelf.top_up)
        _judge_shelf(shelf, found, judgements, prices)
    if not any(counted.charged):
        judgements = []  # an order that is charged nothing takes part in nothing; its prices are checked all the same
    if live.conditional:
        judgements = [
            _on_condition(order, live.offers[j.offer], j, lapsed) if j.offer in live.conditional else j
            for j in judgements
        ]
    if returned:
        judgements = _with_kept(counted, live.offers, judgements)
    return Evaluation(live.revisions, judgements, prices)


def _matched(counted: Counted, live: Live) -> list[tuple[Shelf, list[int] | None]]:
    """The shelves that can match the order, each with the places of the lines that it holds; None is all of them."""
    found: list[tuple[Shelf, list[int] | None]] = []
    if live.particular:
        matched: dict[int, tuple[Shelf, list[int]]] = {}
        for place, line in enumerate(counted.lines):
            for shelf in live.shelves_of(line):
                hit = matched.get(id(shelf))
                if hit is None:
                    matched[id(shelf)] = (shelf, [place])
                else:
                    hit[1].append(place)
        found.extend(matched.values())
    for shelf in live.whole_order:
        held = [i for i, line in enumerate(counted.lines) if shelf.scope.holds(line)] if shelf.leaves_out else None
        found.append((shelf, held))
    return found


def _judge_shelf(shelf: Shelf, found: Counted, judgements: list[Judgement], prices: list[PriceCheck]) -> None:
    for offer in shelf.priced:
        prices.extend(_checks(offer, found))
    for ladder in shelf.ladders:
        worth, per = measure(ladder.by, found, before_discount=shelf.before_discount)
        reached = ladder.reached(worth, per)
        judgements.extend([_qualified(offer, worth, per, found) for offer in ladder.offers[:reached]])
        if reached < len(ladder.offers):
            judgements.extend(_near_misses(ladder, reached, worth, per, found))


def _in_time(found: Counted, end: Instant, released_at: Instant | None, *, top_up: bool) -> Counted:
    """Value added after the window's end makes no new entitlement; where it tops up, none after the release does."""
    if top_up:
        if released_at is None:
            return found
        end = max(end, released_at)
    return found.only([i for i, line in enumerate(found.lines) if line.added_at is None or line.added_at < end])


def is_elsewhere(order: Order, offer: Offer) -> bool:
    """Whether an offer is not made for where, or how, an order is sent."""
    return bool(
        (offer.only_to and order.destination.country not in offer.only_to)
        or (offer.services and order.service not in offer.services)
    )


def _on_condition(order: Order, offer: Offer, judged: Judgement, lapsed: Collection[str] = ()) -> Judgement:
    """The judgement of an offer that asks where the order goes, or that it is paid in time. Unknown fits nothing."""
    if not judged.qualifies:
        return judged
    if is_elsewhere(order, offer):
        return replaced(judged, reason=Reason.DESTINATION)
    if offer.paid_within_days is None:
        return judged
    pay_by = days_after(order.placed_at, offer.zone, offer.paid_within_days)
    if order.paid_at is None:
        return replaced(judged, pay_by=pay_by, reason=Reason.UNPAID if offer.key in lapsed else judged.reason)
    return judged if order.paid_at <= pay_by else replaced(judged, reason=Reason.UNPAID, pay_by=pay_by)


def _with_kept(counted: Counted, offers: Mapping[str, Offer], judgements: list[Judgement]) -> list[Judgement]:
    """What the kept goods earn by themselves, for each gift that the order earned.

    Goods that are all free earn nothing, as no order of them would.
    """
    kept = kept_goods(counted)
    refund = sum(counted.charged) - sum(kept.charged)
    found = []
    for judged in judgements:
        offer = offers[judged.offer]
        if judged.qualifies and offer.kind == "gift":
            earning = set(judged.lines)
            ours = kept.only([i for i, line in enumerate(kept.lines) if line.number in earning])
            worth, per = measure(offer.by, ours, before_discount=offer.basis == "before_discount")
            met = worth > offer.threshold * per if offer.strict else worth >= offer.threshold * per
            units = _wanted(offer, worth)[0] if met and any(kept.charged) else 0
            judged = replaced(judged, kept=Kept(units, refund, offer.clawback))  # noqa: PLW2901 - a copy of it
        found.append(judged)
    return found


def _qualified(offer: Offer, worth: int, per: int, found: Counted) -> Judgement:
    wanted, asked = _wanted(offer, worth)
    reason = Reason.ORDER_CAP if wanted < asked else None
    lines = _earning(offer, found)
    return Judgement(
        offer.key, offer.revision, True, worth, offer.threshold, wanted, per, False, reason, None, lines, asked,
        offer.by, offer.strict, None, None, offer.back_orders,
    )  # fmt: skip


def _wanted(offer: Offer, worth: int) -> tuple[int, int]:
    """Gift units that a value earns, after the cap of an order and before it."""
    asked = (worth // offer.threshold if offer.for_each else 1) * offer.units
    return (asked if offer.order_cap is None else min(asked, offer.order_cap)), asked


def _earning(offer: Offer, found: Counted) -> list[int]:
    """Numbers of the lines that earned the offer: all that count together, or those that meet it each alone."""
    if offer.by == "total":
        return found.numbers()
    if offer.by == "units":
        return [line.number for line, units in zip(found.lines, found.units, strict=True) if units > 0]
    values = found.before if offer.basis == "before_discount" else found.charged
    least = offer.threshold + int(offer.strict)  # in whole minor units, which a line has and a unit price may not have
    if offer.by == "line":
        return [line.number for line, worth in zip(found.lines, values, strict=True) if worth >= least]
    rows = zip(found.lines, found.units, found.charged, values, strict=True)
    if offer.by == "any":
        return [line.number for line, units, charged, _ in rows if units > 0 and charged > 0]
    asked = offer.threshold
    return [
        line.number
        for line, units, _, worth in rows
        if units > 0 and (worth > asked * units or (worth == asked * units and not offer.strict))
    ]


def is_near_miss(worth: int, per: int, threshold: int) -> bool:
    """Whether a value that doesn't meet a threshold nearly does; a value of nothing misses nothing."""
    return worth > 0 and 100 * worth >= (100 - NEAR_MISS_PERCENT) * threshold * per


def _near_misses(ladder: Ladder, reached: int, worth: int, per: int, found: Counted) -> list[Judgement]:
    """T - 10 % <= V < T (V <= T where the word is 'over'); an order worth nothing misses nothing."""
    near: list[Judgement] = []
    if worth <= 0 or ladder.by == "any":
        return near
    lines: list[int] = []
    for offer in ladder.offers[reached:]:
        if not is_near_miss(worth, per, offer.threshold):
            break
        lines = lines or found.numbers()
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
                by=offer.by,
                strict=offer.strict,
                back_orders=offer.back_orders,
            )
        )
    return near


def _checks(offer: Offer, found: Counted) -> list[PriceCheck]:
    """Charged and advertised are compared before order-level discounts, for the units not cancelled."""
    checks = []
    for line, units, before in zip(found.lines, found.units, found.before, strict=True):
        if units <= 0:
            continue
        charged = line.live_share(line.total_charged)
        if offer.kind == "price":
            advertised = offer.prices.get(line.sku, 0) * units
        elif line.total_list is not None:
            # 'Up to n %': no item may be reduced by more, and a percentage is claimed rounded down (29.97 % is 29 %).
            deeper = 100 * charged <= before * (99 - offer.up_to_percent)
            least = -(-before * (100 - offer.up_to_percent) // 100)
            advertised = least if deeper else min(charged, before)
        else:
            continue
        checks.append(PriceCheck(offer.key, offer.revision, line.number, line.sku, charged, advertised))
    return checks


def judge_one(order: Order, offer: Offer, released_at: Instant | None = None) -> Judgement:
    """One offer on one order, recorded or not: for explanations, which also tell of offers that were far off."""
    counted = counted_lines(order)
    found = counted.only([i for i, line in enumerate(counted.lines) if offer.scope.holds(line)])
    found = _in_time(found, offer.window.end, released_at, top_up=offer.top_up)
    worth, per = measure(offer.by, found, before_discount=offer.basis == "before_discount")
    ladder = Ladder(offer.by, [offer])
    free = not any(counted.charged)
    if ladder.reached(worth, per) and not free:
        judged = _on_condition(order, offer, _qualified(offer, worth, per, found))
        if any(line.returned_units and line.live_units for line in counted.lines):
            return _with_kept(counted, {offer.key: offer}, [judged])[0]
        return judged
    reason = Reason.NO_PURCHASE if offer.by == "any" or free else Reason.BELOW_THRESHOLD
    near = not free and bool(_near_misses(ladder, 0, worth, per, found))
    return Judgement(
        offer.key, offer.revision, False, worth, offer.threshold, 0, per, near, reason, None, found.numbers(), 0,
        offer.by, offer.strict, back_orders=offer.back_orders,
    )  # fmt: skip
