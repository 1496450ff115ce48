"""The nearest change that would have flipped a decline, exact, and in words that an agent can read out.

The changes are found in the order of the checks: the class of the order, the window, where it goes, its goods, its
payment, what its gift may travel with. All that stand in the way are named; what no customer can change (a cap, stock,
an unanswered caution) has none.
"""

from collections.abc import Callable, Collection, Iterable
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Literal

from makeweight.domain.book import Live
from makeweight.domain.campaigns import DEFAULT_CLASSES, Offer, Scope
from makeweight.domain.moments import Instant, Window
from makeweight.domain.money import prorate
from makeweight.domain.options import options_of, plan_of
from makeweight.domain.orders import Line, Order
from makeweight.domain.qualify import Evaluation, Judgement, evaluate, judge_one
from makeweight.domain.reasons import Reason, amount, clock, span
from makeweight.domain.spending import spent
from makeweight.domain.values import replaced, value

ChangeKind = Literal[
    "value", "units", "unit_price", "line", "purchase",
    "placed_earlier", "placed_later", "order_class", "lane", "age", "destination", "service", "paid",
]  # fmt: skip

GOODS = frozenset({"value", "units", "unit_price", "line", "purchase"})
SECOND = timedelta(seconds=1)
_ALWAYS = Window(datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC))
# Lines shared out in one search: the least amount is exact where fewer are enough, and beyond that one that surely is.
LOOKS = 100_000
NAMED = 3  # names of a scope that a sentence lists; further ones are counted
_LEADS = dict.fromkeys(GOODS, "with") | dict.fromkeys(
    ("placed_earlier", "placed_later", "destination", "service", "paid"), "if"
)
# What a desk tells the nearest change of, beside near misses: the order meets these offers and may not have them.
_FLIPPED = frozenset({Reason.DESTINATION, Reason.CAUTION, Reason.VALUE_USED})


@value
class Change:
    """One change of an order, and ``also`` those that it needs besides.

    ``amount`` is in minor units for goods, in units where units count, in seconds for time, else 0. ``words`` tell this
    change alone; ``to`` is the class, lane, country or service that it would have; ``line`` the line that grows.
    """

    kind: ChangeKind
    amount: int
    words: str
    to: str = ""
    line: int | None = None
    also: "Change | None" = None

    @property
    def parts(self) -> "list[Change]":
        """This change and those it needs besides, each alone."""
        return [replaced(self, also=None), *(self.also.parts if self.also else ())]

    @property
    def text(self) -> str:
        """All of it in words: 'placed 4 minutes earlier and 3.10 EUR more on Inkmoor'."""
        return _listed([part.words for part in self.parts], "and")

    @property
    def how(self) -> str:
        """All of it as a sentence goes on: 'if placed 4 minutes earlier and with 3.10 EUR more on Inkmoor'."""
        return _listed([f"{_LEADS.get(part.kind, '')} {part.words}".strip() for part in self.parts], "and")


def chained(parts: Iterable[Change]) -> Change | None:
    """Several changes as one; None of none."""
    found: Change | None = None
    for part in reversed(list(parts)):
        found = replaced(part, also=found)
    return found


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
    if not goes(changed, offer):
        sending = next((s for s in _sendings() if goes(_applied(changed, offer, s), offer)), None)
        if sending is None:
            return None
        parts += sending
    return chained(parts)


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
        parts.append(Change("destination", 0, f"sent to {_named(offer.only_to)}", to))
    if offer.services and order.service not in offer.services:
        parts.append(Change("service", 0, f"sent by {_named(offer.services)} service", min(offer.services)))
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


def _sendings() -> list[list[Change]]:
    """What may let a gift travel that is withheld from an order, the smallest first."""
    ground, air = (Change("lane", 0, f"if the parcel goes by {lane}", lane) for lane in ("ground", "air"))
    adult = Change("age", 0, "if the customer is known to be an adult", "adult")
    return [[ground], [air], [adult], [ground, adult], [air, adult]]


# ---------------------------------------------------------------- more goods


def _goods(order: Order, offer: Offer, judged: Judgement) -> Change | None:
    """The least to add to the order's goods; None where no goods can be in the offer's scope."""
    if _line_in(offer.scope, 1) is None:
        return None
    free = order.discount - sum(_weights(order))
    if free < 0:
        return _more(order, offer, judged)
    # An order of which the discount leaves nothing earns nothing, whatever an offer counts.
    asked = offer.threshold * judged.per + int(offer.strict)
    if judged.worth >= asked and offer.by != "any":
        return _said("value", free + 1, offer)
    change = _more(order, offer, judged)
    return (
        change
        if change.kind == "units"
        else _said(change.kind, max(change.amount, free + 1), offer, change.line, order)
    )


def _more(order: Order, offer: Offer, judged: Judgement) -> Change:
    asked = offer.threshold + int(offer.strict)
    if offer.by == "units":
        return _said("units", max(1, asked - judged.worth), offer)
    before = offer.basis == "before_discount" and offer.by != "any"
    weights = [*_weights(order, before=before), 0]
    new = len(weights) - 1
    counts = set(judged.lines)
    goods = [line for line in order.lines if line.kind == "goods"]
    inside = [i for i, line in enumerate(goods) if line.number in counts]
    if offer.by == "total":
        search = _Search(weights, 0 if before else order.discount, [([*inside, new], asked)])
        return _said("value", search.least(new)[0], offer)
    if offer.by == "line":
        goals = [([i], asked) for i in inside]
    else:
        price, over = (1, 0) if offer.by == "any" else (offer.threshold, int(offer.strict))
        units = {i: 1 if offer.by == "any" else goods[i].live_units for i in inside if goods[i].live_units}
        goals = [([i], price * n + over) for i, n in units.items()]
        asked = price + over
    search = _Search(weights, 0 if before else order.discount, [*goals, ([new], asked)])
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
    return _said(kind, least, offer, None if place == new else goods[place].number, order)


class _Search:
    """How much more of one line of goods lets any of some goals be reached, when all lines share a discount.

    A goal is places of lines that count together, and what they must be worth without their shares. Shares are rounded
    to whole minor units, by which one minor unit more can be worth less: so each amount is looked at, from the first
    that the exact shares allow. More of one line also takes from the shares of the others, and may lift one of them.
    """

    def __init__(self, weights: list[int], discount: int, goals: list[tuple[list[int], int]]) -> None:
        self.weights, self.discount, self.goals = weights, discount, goals
        self.total = sum(weights)
        self.looks = LOOKS // len(weights)
        self.nothing = max(1, discount - self.total + 1)  # below that the discount takes everything
        still = [self._still(places[0], asked) for places, asked in goals if len(places) == 1 and discount]
        self.still = min((least for least in still if least is not None), default=None)

    def least(self, at: int) -> tuple[int, bool]:
        """The least to add to the line at a place, and whether a goal with that line in it is reached then."""
        first = self.bound(at)
        if not self.discount:
            return first, True
        for more in range(first, self._grown(at, -1)):
            self.looks -= 1
            if self.looks < 0:
                break
            grown = [weight + more if i == at else weight for i, weight in enumerate(self.weights)]
            shares = prorate(self.discount, grown)
            met = [places for places, asked in self.goals if sum(grown[i] - shares[i] for i in places) >= asked]
            if met:
                return more, any(at in places for places in met)
        return self._grown(at, -1), True

    def bound(self, at: int) -> int:
        """No less than this can be enough; it is exact where nothing is shared."""
        grown = self._grown(at, 1)
        return grown if self.still is None else min(grown, self.still)

    def _grown(self, at: int, side: int) -> int:
        """The least with which a goal that the line is in is reached at best (1) or whatever is rounded (-1).

        Each rounded share lies within less than 1 of the exact one, and together they are the discount: lines are worth
        their exact value within the smaller number of those that count and those that don't.
        """
        places, asked = next((p, asked) for p, asked in self.goals if at in p)
        own = sum(self.weights[i] for i in places)
        if not self.discount:
            return max(1, asked - own)
        asked -= side * min(len(places), len(self.weights) - len(places))
        least, most = self.nothing, max(self.nothing, asked + self.discount)
        while least < most:
            more = (least + most) // 2
            left = self.total + more - self.discount
            if (own + more) * left >= asked * (self.total + more):
                most = more
            else:
                least = more + 1
        return least

    def _still(self, place: int, asked: int) -> int | None:
        """The least that, added elsewhere, may leave a line so much less of the discount that it reaches a goal."""
        weight = self.weights[place]
        if weight < asked:
            return None
        return max(self.nothing, -(-weight * self.discount // (weight - asked + 1)) - self.total)


def _weights(order: Order, *, before: bool = False) -> list[int]:
    """What the order-level discount is shared over, by line of goods; or the list totals."""
    goods = [line for line in order.lines if line.kind == "goods"]
    return [
        line.live_share(line.total_charged if line.total_list is None or not before else line.total_list)
        for line in goods
    ]


def _said(kind: ChangeKind, more: int, offer: Offer, line: int | None = None, order: Order | None = None) -> Change:
    """More goods in words."""
    where = f"on {label(offer.scope)}"
    money = amount(more, offer.currency)
    if kind == "value":
        words = f"{money} more {where}"
    elif kind == "units":
        words = f"{'one more unit' if more == 1 else f'{more} more units'} {where}"
    elif kind == "purchase":
        words = f"one item bought {where}" if more == 1 else f"one item at {money} {where}"
    elif kind == "unit_price":
        words = f"one item at {money} {where}"
    elif line is None:
        words = f"{money} in one line {where}"
    else:
        sku = next((one.sku for one in order.lines if one.number == line), "") if order else ""
        words = f"{money} more on line {line}{f' ({sku})' if sku else ''}"
    return Change(kind, more, words, line=line)


@lru_cache(1_024)  # of the scopes of published offers, which are few
def label(scope: Scope) -> str:
    """What an offer looks at, as a sentence names it: 'Alder or Birch', 'ink (category)'."""
    brands = _named(scope.brands)
    categories = f"{_named(scope.categories)} (category)" if scope.categories else ""
    if scope.skus:
        found = f"these items{f' of {brands}' if brands else ''}{f' in {categories}' if categories else ''}"
    else:
        found = " in ".join(name for name in (brands, categories) if name) or "the order"
    return f"{found}, some goods left out" if scope.leaves_out else found


def _named(names: Collection[str]) -> str:
    known = sorted(names)
    if len(known) > NAMED + 1:
        known = [*known[:NAMED], f"{len(known) - NAMED} others"]
    return _listed(known, "or")


def _listed(names: list[str], word: str) -> str:
    return f" {word} ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


# ---------------------------------------------------------------- the order as it would have been


def apply(order: Order, offer: Offer, change: Change) -> Order:
    """The order as it would have been with the change. Goods are added as if it had been placed with them."""
    return _applied(order, offer, change.parts)


def _applied(order: Order, offer: Offer, parts: Iterable[Change]) -> Order:
    for part in parts:
        order = _with(order, offer, part)
    return order


def _with(order: Order, offer: Offer, part: Change) -> Order:
    if part.kind in GOODS:
        return replaced(order, lines=_grown(order, offer, part))
    if part.kind in _TIMES:
        member, sign = _TIMES[part.kind]
        instant = getattr(order, member)
        return order if instant is None else replaced(order, **{member: instant + sign * part.amount * SECOND})
    if part.kind in ("lane", "destination"):
        member = "lane" if part.kind == "lane" else "country"
        return replaced(order, destination=replaced(order.destination, **{member: part.to}))
    return replaced(order, **{"age_answer" if part.kind == "age" else part.kind: part.to})


_TIMES = {"placed_earlier": ("placed_at", -1), "placed_later": ("placed_at", 1), "paid": ("paid_at", -1)}


def _grown(order: Order, offer: Offer, part: Change) -> list[Line]:
    if part.line is not None:
        return [_grown_line(line, part.amount) if line.number == part.line else line for line in order.lines]
    added = _line_in(offer.scope, max((line.number for line in order.lines), default=0) + 1)
    if added is None or part.amount <= 0:
        return order.lines
    if part.kind == "units":
        # Their price is not asked for, and what the discount takes wholly would be no purchase.
        added = replaced(added, units=part.amount, total_charged=part.amount + order.discount)
    else:
        added = replaced(added, total_charged=part.amount)
    return [*order.lines, added]


def _grown_line(line: Line, more: int) -> Line:
    """The line with more on it; what was cancelled of it is left away."""
    listed = None if line.total_list is None else line.live_share(line.total_list) + more
    charged = line.live_share(line.total_charged) + more
    return replaced(line, units=line.live_units, cancelled_units=0, total_charged=charged, total_list=listed)


@lru_cache(1_024)
def _line_in(scope: Scope, number: int) -> Line | None:
    """A line of one unit, at no price yet, that the scope holds; None if it holds none."""
    skus = sorted(scope.skus - scope.not_skus)
    categories = sorted(scope.categories - scope.not_categories)
    if (scope.skus and not skus) or (scope.categories and not categories):
        return None
    sku = skus[0] if skus else "more"
    while sku in scope.not_skus:
        sku += "+"
    brand = min(scope.brands, default="")
    return Line(number, sku, 1, 0, brand=brand, categories=categories[:1])


# ---------------------------------------------------------------- what a desk records of it


def with_nearest(order: Order, evaluation: Evaluation, live: Live, released_at: Instant | None = None) -> Evaluation:
    """The evaluation with the nearest change of each offer that is nearly met, or withheld for what the order is.

    A customer is told to add goods only where the gift could then go (rules of the trade, 2.37).
    """
    if all(j.qualifies and j.reason not in _FLIPPED for j in evaluation.judgements):
        return evaluation
    judgements = [
        replaced(j, nearest=_recorded(order, j, live, released_at))
        if j.near_miss or (j.qualifies and j.reason in _FLIPPED)
        else j
        for j in evaluation.judgements
    ]
    return replaced(evaluation, judgements=judgements)


def _recorded(order: Order, judged: Judgement, live: Live, released_at: Instant | None) -> str:
    offer = live.offers[judged.offer]
    if judged.reason is Reason.VALUE_USED or _is_partly_used(order, offer, judged):
        return _left_over(order, judged, live, released_at)
    plain = judged.by == "total" and not order.discount and not offer.conditional and live.plan(offer).plain
    if judged.near_miss and plain and _line_in(offer.scope, 1) is not None:
        # The most frequent case: what is missing is what to add, and nothing else stands in its way.
        return _said("value", judged.gap, offer).how

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
    change = _said("value", max(1, judged.gap), offer)
    grown = apply(order, offer, change)
    used = spent(grown, evaluate(grown, live, released_at), live, lambda one, _: may_go(grown, one))
    met = any(j.offer == offer.key and j.qualifies and j.reason is not Reason.VALUE_USED for j in used.judgements)
    return change.how if met and not order.discount else ""
