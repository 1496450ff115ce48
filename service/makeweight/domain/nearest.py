"""The nearest change that would have flipped a decline, exact, and in words that an agent can read out.

The changes are found in the order of the checks: the class of the order, the window, where it goes, its goods, its
payment, what its gift may travel with. All that stand in the way are named; what no customer can change (a cap, stock,
an unanswered caution) has none.
"""

import re
from collections.abc import Callable, Collection, Iterator
from datetime import UTC, datetime

from makeweight.domain.book import Live
from makeweight.domain.campaigns import DEFAULT_CLASSES, Offer
from makeweight.domain.changes import GOODS, SECOND, Change, ChangeKind, applied, apply, chained, line_in, named, said
from makeweight.domain.counted import live_totals
from makeweight.domain.least import Search
from makeweight.domain.moments import Instant, Window
from makeweight.domain.options import options_of, plan_of
from makeweight.domain.orders import Order
from makeweight.domain.qualify import Evaluation, Judgement, evaluate, is_elsewhere, judge_one
from makeweight.domain.reasons import Reason, clock, span
from makeweight.domain.spending import spent
from makeweight.domain.values import replaced

_COUNTRY = re.compile("[A-Z]{2}")  # ISO 3166-1 alpha-2; a market may be called otherwise
_ALWAYS = Window(datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC))
# What a desk tells the nearest change of, beside near misses: the order meets these offers and may not have them.
_FLIPPED = frozenset({Reason.DESTINATION, Reason.CAUTION, Reason.VALUE_USED})


# ---------------------------------------------------------------- the change


def may_go(order: Order, offer: Offer) -> bool:
    """Whether any gift of the offer may go with the order; a benefit always may."""
    return offer.gift is None or bool(options_of(order, offer, plan_of(offer), [])[0])


def nearest(
    order: Order,
    offer: Offer,
    *,
    classes: Collection[str] = DEFAULT_CLASSES,
    opening: Window | None = None,
    judged: Judgement | None = None,
    released_at: Instant | None = None,
    goes: Callable[[Order, Offer], bool] = may_go,
) -> Change | None:
    """The nearest change by which the order would have earned the offer; None if nothing is to change, or can.

    ``classes`` of orders take part. ``opening`` is the time in which the offer's revision is in force, if that is less
    than its window. ``judged`` is what the offer says of the order, where that is known already, ``released_at`` when
    its first ticket was released. ``goes`` says whether a gift of the offer may go with an order.
    """
    if order.status == "cancelled":
        return None
    parts = _circumstances(order, offer, classes, opening or offer.window)
    if parts is None:
        return None
    changed = order
    for part in parts:
        changed = apply(changed, offer, part)
    if offer.kind in ("price", "reduction"):
        return chained(parts)
    if judged is None or parts:
        judged = judge_one(changed, offer, released_at)
    if not judged.qualifies:
        goods = _goods(changed, offer, judged)
        if goods is None:
            return None
        parts.append(goods)
        if offer.paid_within_days is not None:
            judged = judge_one(apply(changed, offer, goods), offer, released_at)
    if judged.reason is Reason.UNPAID and judged.pay_by is not None and changed.paid_at is not None:
        late = -((judged.pay_by - changed.paid_at) // SECOND)
        parts.append(Change("paid", late, f"paid by {clock(judged.pay_by, offer.zone)}"))
        changed = apply(changed, offer, parts[-1])
    sending = _sending(changed, offer, goes)
    if sending is None:
        return None
    if sending and sending[0].kind == "destination":
        parts = [part for part in parts if part.kind != "destination"]  # of the offer's places it is this one
    changed = applied(changed, offer, sending)
    return chained([_where_it_goes(part, changed, offer, goes) for part in (*parts, *sending)])


def _circumstances(order: Order, offer: Offer, classes: Collection[str], opening: Window) -> list[Change] | None:
    """Changes of what the order is, before its goods are looked at; None where there is none that would do."""
    parts = []
    if order.order_class not in classes:
        if not classes:
            return None
        to = "retail" if "retail" in classes else min(classes)
        parts.append(Change("order_class", 0, f"as a {to} order", to))
    if not opening.holds(order.placed_at):
        moved = _moved(order, opening)
        if moved is None:
            return None
        parts.append(moved)
    if offer.only_to and order.destination.country not in offer.only_to:
        to = min(offer.only_to)
        parts.append(Change("destination", 0, _sent_to(offer.only_to), to))
    if offer.services and order.service not in offer.services:
        parts.append(Change("service", 0, f"sent by {named(offer.services)} service", min(offer.services)))
    return parts


def _moved(order: Order, opening: Window) -> Change | None:
    """How many whole seconds earlier or later the order falls into a window, whose end is no part of it."""
    if order.placed_at >= opening.end:
        seconds = (order.placed_at - opening.end) // SECOND + 1
        change = Change("placed_earlier", seconds, f"placed {span(seconds)} earlier")
        placed_at = order.placed_at - seconds * SECOND
    else:
        seconds = -((order.placed_at - opening.start) // SECOND)
        change = Change("placed_later", seconds, f"placed {span(seconds)} later")
        placed_at = order.placed_at + seconds * SECOND
    return change if opening.holds(placed_at) else None


def _where_it_goes(part: Change, changed: Order, offer: Offer, goes: Callable[[Order, Offer], bool]) -> Change:
    """Of several places that an offer is made for, those to which its gift may go as well."""
    if part.kind != "destination" or part.words != _sent_to(offer.only_to):
        return part
    to = [place for place in offer.only_to if goes(apply(changed, offer, replaced(part, to=place)), offer)]
    return replaced(part, words=_sent_to(to))


def _sent_to(places: Collection[str]) -> str:
    return f"sent to {named(places)}"


def _sending(order: Order, offer: Offer, goes: Callable[[Order, Offer], bool]) -> list[Change] | None:
    """The least that lets a gift go with an order: nothing if it may go as it is, None if nothing known would."""
    if goes(order, offer):
        return []
    return next((sending for sending in _sendings(order, offer) if goes(applied(order, offer, sending), offer)), None)


def _sendings(order: Order, offer: Offer) -> Iterator[list[Change]]:
    """What may let a gift travel that is withheld from an order, the smallest first."""
    ground, air = (Change("lane", 0, f"if the parcel goes by {lane}", lane) for lane in ("ground", "air"))
    adult = Change("age", 0, "if the customer is known to be an adult", "adult")
    here = [[ground], [air], [adult], [ground, adult], [air, adult]]
    places = [Change("destination", 0, f"the parcel goes to {to}", to) for to in _places(order, offer)]
    yield from here[:3]
    yield from ([place] for place in places)
    yield from here[3:]
    for more in here:
        yield from ([place, *more] for place in places)


def _places(order: Order, offer: Offer) -> list[str]:
    """Countries that are known to the offer and to which the order could have gone instead.

    Where its gifts are at home, then the order's market, then those that it is made for. No others are named: whether a
    gift may go to a place that nobody spoke of is for a trained person to say.
    """
    homes = [place for gift in offer.gifts.values() for place in (gift.ships_from, *gift.same_customs_area)]
    known = dict.fromkeys([*homes, order.market, *sorted(offer.only_to)])
    fits = [place for place in known if _COUNTRY.fullmatch(place) and (not offer.only_to or place in offer.only_to)]
    return [place for place in fits if place != order.destination.country]


# ---------------------------------------------------------------- more goods


def _goods(order: Order, offer: Offer, judged: Judgement) -> Change | None:
    """The least to add to the order's goods; None where no goods can be in the offer's scope."""
    if line_in(offer.scope, 1) is None:
        return None
    free = order.discount - sum(live_totals(order).charged)
    if free < 0:
        return _more(order, offer, judged)
    # An order of which the discount leaves nothing earns nothing, whatever an offer counts.
    asked = offer.threshold * judged.per + int(offer.strict)
    if judged.worth >= asked and offer.by != "any":
        return said("value", free + 1, offer)
    change = _more(order, offer, judged)
    if change.kind == "units":
        return change
    return said(change.kind, max(change.amount, free + 1), offer, change.line, order)


def _more(order: Order, offer: Offer, judged: Judgement) -> Change:
    asked = offer.threshold + int(offer.strict)
    if offer.by == "units":
        return said("units", max(1, asked - judged.worth), offer)
    before = offer.basis == "before_discount" and offer.by != "any"
    found = live_totals(order)
    weights = [*(found.before if before else found.charged), 0]
    new = len(weights) - 1
    counts = set(judged.lines)
    goods = found.lines
    inside = [i for i, line in enumerate(goods) if line.number in counts]
    if offer.by == "total":
        search = Search(weights, 0 if before else order.discount, [([*inside, new], asked)])
        return said("value", search.least(new)[0], offer)
    if offer.by == "line":
        goals = [([i], asked) for i in inside]
    else:
        price, over = (1, 0) if offer.by == "any" else (offer.threshold, int(offer.strict))
        units = {i: 1 if offer.by == "any" else goods[i].live_units for i in inside if goods[i].live_units}
        goals = [([i], price * n + over) for i, n in units.items()]
        asked = price + over
    search = Search(weights, 0 if before else order.discount, [*goals, ([new], asked)])
    least, by_itself = search.least(new)
    kind: ChangeKind = "line" if offer.by == "line" else "unit_price" if offer.by == "unit" else "purchase"
    if not by_itself:
        kind = "value"
    place = new
    if offer.by == "line":
        # A line grows by what is missing to it; a new one would have to be worth the threshold by itself.
        growing = [i for i in inside if goods[i].live_units or not goods[i].cancelled_units]
        for i in sorted(growing, key=lambda one: (-weights[one], one)):
            if search.bound(i) < least:
                more, _ = search.least(i)
                if more < least:
                    least, place, kind = more, i, "line"
    return said(kind, least, offer, None if place == new else goods[place].number, order)


# ---------------------------------------------------------------- what a desk records of it


def with_nearest(order: Order, evaluation: Evaluation, live: Live, released_at: Instant | None = None) -> Evaluation:
    """The evaluation with the nearest change of each offer that is nearly met, or withheld for what the order is.

    A customer is told to add goods only where the gift could then go (rules of the trade, 2.37).
    """
    if all(j.qualifies and j.reason not in _FLIPPED for j in evaluation.judgements):
        return evaluation
    judgements = [
        replaced(j, nearest=_recorded(order, j, live, released_at), held_back=_held_back(order, j, live))
        if j.near_miss or (j.qualifies and j.reason in _FLIPPED)
        else j
        for j in evaluation.judgements
    ]
    return replaced(evaluation, judgements=judgements)


def _held_back(order: Order, judged: Judgement, live: Live) -> str:
    """Why the gift of a near miss could not go with the order, whatever is added to it; '' where it could."""
    offer = live.offers[judged.offer]
    if not judged.near_miss or (live.plan(offer).plain and not offer.conditional):
        return ""
    if is_elsewhere(order, offer):
        return "the offer is not made for this destination or service"
    if offer.gift is None:
        return ""
    options, withheld = options_of(order, offer, live.plan(offer), judged.lines)
    return "" if options else next(iter(withheld.values()))


def _recorded(order: Order, judged: Judgement, live: Live, released_at: Instant | None) -> str:
    offer = live.offers[judged.offer]
    if judged.reason is Reason.VALUE_USED or _is_partly_used(order, offer, judged):
        return _left_over(order, judged, live, released_at)
    plain = judged.by == "total" and not order.discount and not offer.conditional and live.plan(offer).plain
    if judged.near_miss and plain and line_in(offer.scope, 1) is not None:
        # The most frequent case: what is missing is what to add, and nothing else stands in its way.
        return said("value", judged.gap, offer).how

    def goes(with_it: Order, asked: Offer) -> bool:
        return asked.gift is None or bool(options_of(with_it, asked, live.plan(asked), [])[0])

    change = nearest(
        order,
        offer,
        classes={order.order_class},
        opening=_ALWAYS,
        judged=judged,
        released_at=released_at,
        goes=goes,
    )
    if change is None or (judged.near_miss and not all(part.kind in GOODS for part in change.parts)):
        return ""
    return change.how


def _is_partly_used(order: Order, offer: Offer, judged: Judgement) -> bool:
    """Whether an offer is nearly met by what others have left of its value."""
    return judged.near_miss and offer.value_used == "once" and judge_one(order, offer).worth != judged.worth


def _left_over(order: Order, judged: Judgement, live: Live, released_at: Instant | None) -> str:
    """What to add to what other offers have left of the order's value; '' where that is not all that it takes.

    More goods can let an offer that comes first use more, or take a share of a discount from what it uses.
    """
    offer = live.offers[judged.offer]
    change = said("value", max(1, judged.gap), offer)
    grown = apply(order, offer, change)
    used = spent(grown, evaluate(grown, live, released_at), live, lambda one, _: may_go(grown, one))
    met = any(j.offer == offer.key and j.qualifies and j.reason is not Reason.VALUE_USED for j in used.judgements)
    return change.how if met and not order.discount else ""
