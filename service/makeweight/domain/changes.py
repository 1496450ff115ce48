"""Changes that an order could have had: what they are called, and the order as it would have been with them."""

from collections.abc import Collection, Iterable
from datetime import timedelta
from functools import lru_cache
from typing import Literal

from makeweight.domain.campaigns import Offer, Scope
from makeweight.domain.orders import Line, Order
from makeweight.domain.reasons import amount
from makeweight.domain.values import replaced, value

ChangeKind = Literal[
    "value", "units", "unit_price", "line", "purchase",
    "placed_earlier", "placed_later", "order_class", "lane", "age", "destination", "service", "paid",
]  # fmt: skip

GOODS = frozenset({"value", "units", "unit_price", "line", "purchase"})
SECOND = timedelta(seconds=1)
NAMED = 3  # names of a scope that a sentence lists; further ones are counted
_LEADS = dict.fromkeys(GOODS, "with") | dict.fromkeys(
    ("placed_earlier", "placed_later", "destination", "service", "paid"), "if"
)


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
        return listed([part.words for part in self.parts], "and")

    @property
    def how(self) -> str:
        """All of it as a sentence goes on: 'if placed 4 minutes earlier and with 3.10 EUR more on Inkmoor'."""
        return listed([f"{_LEADS.get(part.kind, '')} {part.words}".strip() for part in self.parts], "and")


def chained(parts: Iterable[Change]) -> Change | None:
    """Several changes as one; None of none."""
    found: Change | None = None
    for part in reversed(list(parts)):
        found = replaced(part, also=found)
    return found


def said(kind: ChangeKind, more: int, offer: Offer, line: int | None = None, order: Order | None = None) -> Change:
    """More goods, in words: minor units, or units where the kind is units."""
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
    brands = named(scope.brands)
    categories = f"{named(scope.categories)} (category)" if scope.categories else ""
    if scope.skus:
        found = f"these items{f' of {brands}' if brands else ''}{f' in {categories}' if categories else ''}"
    else:
        found = " in ".join(name for name in (brands, categories) if name) or "the order"
    return f"{found}, some goods left out" if scope.leaves_out else found


def named(names: Collection[str]) -> str:
    """Some of the names, and how many more there are: 'A, B or C', 'A, B, C or 4 others'."""
    known = sorted(names)
    if len(known) > NAMED + 1:
        known = [*known[:NAMED], f"{len(known) - NAMED} others"]
    return listed(known, "or")


def listed(names: list[str], word: str) -> str:
    """Names in a row, with the word before the last."""
    return f" {word} ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


# ---------------------------------------------------------------- the order as it would have been


def apply(order: Order, offer: Offer, change: Change) -> Order:
    """The order as it would have been with the change. Goods are added as if it had been placed with them."""
    return applied(order, offer, change.parts)


def applied(order: Order, offer: Offer, parts: Iterable[Change]) -> Order:
    """The same with some changes, one after the other."""
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
    if part.kind == "lane":
        return replaced(order, destination=replaced(order.destination, lane=part.to))
    if part.kind == "destination":
        return replaced(order, destination=replaced(order.destination, country=part.to, area=""))
    return replaced(order, **{"age_answer" if part.kind == "age" else part.kind: part.to})


_TIMES = {"placed_earlier": ("placed_at", -1), "placed_later": ("placed_at", 1), "paid": ("paid_at", -1)}


def _grown(order: Order, offer: Offer, part: Change) -> list[Line]:
    if part.line is not None:
        return [_grown_line(line, part.amount) if line.number == part.line else line for line in order.lines]
    added = line_in(offer.scope, max((line.number for line in order.lines), default=0) + 1)
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
def line_in(scope: Scope, number: int) -> Line | None:
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
