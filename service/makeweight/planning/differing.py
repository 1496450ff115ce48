"""What a change of a campaign comes to: which offers it touches, and what would stand otherwise with it."""

from collections.abc import Iterable, Mapping
from dataclasses import field
from typing import NamedTuple

from makeweight.domain.book import Book
from makeweight.domain.campaigns import Campaign, Offer
from makeweight.domain.moments import Instant
from makeweight.domain.values import replaced, value


class Standing(NamedTuple):
    """What an order has of an offer, or was refused: units, units owed to it, and the gift."""

    outcome: str
    units: int
    owed: int = 0
    gift: str | None = None


@value
class Figures:
    """What an offer came to: orders and units granted and owed, orders declined, and free units by gift and site."""

    granted_orders: int = 0
    granted_units: int = 0
    owed_orders: int = 0
    owed_units: int = 0
    declined_orders: int = 0
    free_units: dict[str, int] = field(default_factory=dict)

    def plus(self, standings: "Iterable[Standing | None]", sign: int = 1) -> "Figures":
        """With so many orders more, or with sign -1 less."""
        orders = units = owed_orders = owed = declined = 0
        for one in standings:
            if one is not None:
                orders += one.units > 0
                units += one.units
                owed_orders += one.owed > 0
                owed += one.owed
                declined += one.outcome == "declined"
        return Figures(
            self.granted_orders + sign * orders,
            self.granted_units + sign * units,
            self.owed_orders + sign * owed_orders,
            self.owed_units + sign * owed,
            self.declined_orders + sign * declined,
            self.free_units,
        )


@value
class OfferChange:
    """An offer without the change and with it."""

    offer: str
    before: Figures
    after: Figures


@value
class OrderChange:
    """An order that would stand otherwise with an offer; None is that it asked for nothing and got nothing."""

    order: str
    offer: str
    before: Standing | None
    after: Standing | None

    @property
    def gains(self) -> bool:
        """Whether the order would have more of the offer, or be owed more."""
        return _worth(self.after) > _worth(self.before)

    @property
    def loses(self) -> bool:
        """Whether the order would have less, or another gift."""
        before, after = self.before, self.after
        return _worth(after) < _worth(before) or bool(
            before and after and before.gift and after.gift and before.gift != after.gift
        )


def _worth(standing: Standing | None) -> int:
    return 0 if standing is None else standing.units + standing.owed


@value
class Difference:
    """What a change comes to: touched offers, orders that would stand otherwise, and how many inputs were re-run."""

    offers: list[OfferChange]
    orders: list[OrderChange]
    rerun: int


# What may differ between two revisions of an offer without an order meeting it that did not before.
_NEVER_WIDER = frozenset({
    "revision", "says", "units", "for_each", "order_cap", "customer_cap", "total_cap", "gift", "otherwise", "choice",
    "gifts", "when_out", "group", "rank", "clawback", "rides_with", "own_parcel", "back_orders", "only_to", "services",
    "paid_within_days", "value_used",
})  # fmt: skip


def touched_by(book: Book, changed: Campaign, since: Instant) -> tuple[set[str], bool]:
    """The offers that a revision changes from an instant on, and whether orders may meet one that did not."""
    touched: set[str] = set()
    wider = False
    for known in replaced_by(book, changed, since) or [replaced(changed, offers=())]:
        same = _same_orders(known, changed)
        before, after = ({o.key: o for o in c.offers} for c in (known, changed))
        for name in before.keys() | after.keys():
            old, new = before.get(name), after.get(name)
            if old is None or new is None:
                wider = wider or new is not None
            else:
                differs = _differing(old, new)
                if not differs and same:
                    continue
                wider = wider or not same or _wider(old, new, differs)
            touched.add(name)
    return touched, wider


@value
class Narrowed:
    """What of a revision makes orders claim what they claimed before, or less: its offers, for their caps.

    ``closes``: some are open less often, or not at all.
    """

    offers: Mapping[str, Offer]
    closes: bool


def narrowed_by(book: Book, changed: Campaign, since: Instant) -> Narrowed | None:
    """How a revision lets orders claim what they claimed before, with other caps, or less of it; None if it may not."""
    after = {o.key: o for o in changed.offers}
    closes = False
    for known in replaced_by(book, changed, since):
        if not _same_orders(known, changed) or not after.keys() <= {o.key for o in known.offers}:
            return None
        for old in known.offers:
            new = after.get(old.key)
            differs = {"paused"} if new is None else _differing(old, new) - {"says"}
            if old.kind == "gift":
                differs -= {"customer_cap", "total_cap"}
            if differs - _OPENNESS or (new is not None and _wider(old, new, differs)):
                return None
            closes = closes or bool(differs)
    return Narrowed(after, closes)


_OPENNESS = {"paused", "window"}


# What may differ between two revisions of an offer without an order being worth something else to it.
_SAME_WORTH = frozenset({
    "says", "customer_cap", "total_cap", "gift", "otherwise", "choice", "gifts", "when_out", "group", "rank",
    "rides_with", "own_parcel",
})  # fmt: skip


def worth_the_same(book: Book, changed: Campaign, since: Instant) -> bool:
    """Whether orders are worth to each offer of a revision what they were before, as far as it is open to them."""
    after = {o.key: o for o in changed.offers}
    for known in replaced_by(book, changed, since):
        if not _same_orders(known, changed) or not after.keys() <= {o.key for o in known.offers}:
            return False
        for old in known.offers:
            new = after.get(old.key)
            if new is not None:
                differs = _differing(old, new) - _SAME_WORTH
                if differs - _OPENNESS or _wider(old, new, differs):
                    return False
    return True


def replaced_by(book: Book, changed: Campaign, since: Instant) -> list[Campaign]:
    """The revisions in whose place a revision would have been in force from an instant on."""
    revisions = [c for c in book if c.campaign == changed.campaign and c.revision != changed.revision]
    at_first = [c for c in book.in_force(since) if c.campaign == changed.campaign]
    return at_first + [c for c in revisions if c.effective_at > since]


def _same_orders(known: Campaign, changed: Campaign) -> bool:
    return (known.markets, known.classes, known.currency) == (changed.markets, changed.classes, changed.currency)


def _differing(old: Offer, new: Offer) -> set[str]:
    return {name for name in old.__dict__ if old.__dict__[name] != new.__dict__[name]} - {"revision"}


def _wider(old: Offer, new: Offer, differs: set[str]) -> bool:
    narrower = set(_NEVER_WIDER)
    if new.paused:
        narrower.add("paused")
    if old.window.start <= new.window.start and new.window.end <= old.window.end:
        narrower.add("window")
    return not differs <= narrower
