"""Which revision of which campaign is in force at an instant, and an index of the offers that are then live.

The cost of an order must depend on the offers that can match it, not on how many are live. So offers with the same
scope share one qualifying value and stand on a ladder sorted by threshold, and scopes are found by the item, brand or
category of a line.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator

from makeweight.domain.campaigns import NEVER_CLASSES, By, Campaign, Offer, Scope
from makeweight.domain.moments import Instant
from makeweight.domain.options import Plan, plan_of
from makeweight.domain.orders import Line, OrderClass
from makeweight.domain.values import value


class Ladder:
    """Offers of one scope and one measure, sorted by threshold."""

    def __init__(self, by: By, offers: Iterable[Offer]) -> None:
        self.by = by
        self.offers = sorted(offers, key=lambda o: (o.threshold, o.key))
        self._thresholds = [offer.threshold for offer in self.offers]
        self.strict = self.offers[0].strict

    def reached(self, value: int, per: int) -> int:
        """How many offers, counted from the lowest threshold, the value ``value / per`` meets, compared exactly."""
        if self.strict:
            return bisect_left(self._thresholds, -(-value // per))
        return bisect_right(self._thresholds, value // per)


@value
class Shelf:
    """All live offers that look at the same lines in the same way until the same instant.

    ``leaves_out`` says whether the scope leaves out goods, ``top_up`` whether goods added after the end count, ``sure``
    whether the one list of its scope is the one that it is found by, so that a line that finds it is in scope.
    """

    scope: Scope
    before_discount: bool
    end: Instant
    top_up: bool
    leaves_out: bool
    sure: bool
    ladders: list[Ladder]
    priced: list[Offer]


class Live:
    """The offers live in one market and currency, for one class of orders, during one span of time.

    ``conditional`` are the offers that ask more of an order than its goods; ``used_once`` says whether there are offers
    that let a value count once.
    """

    def __init__(
        self, open_campaigns: Iterable[Campaign], order_class: OrderClass = "retail", placed_at: Instant | None = None
    ) -> None:
        campaigns = tuple(open_campaigns)
        self.order_class = order_class
        self.revisions = {c.campaign: c.revision for c in campaigns}
        self.offers = {
            offer.key: offer for c in campaigns for offer in c.offers if placed_at is None or offer.open_at(placed_at)
        }
        self.conditional = frozenset(offer.key for offer in self.offers.values() if offer.conditional)
        self.used_once = any(offer.value_used == "once" for offer in self.offers.values())
        self._plans: dict[str, Plan] = {}
        shelves: dict[tuple[Scope, bool, Instant, bool], list[Offer]] = {}
        for offer in self.offers.values():
            before = offer.basis == "before_discount"
            shelves.setdefault((offer.scope, before, offer.window.end, offer.top_up), []).append(offer)
        self._by_sku: dict[str, list[Shelf]] = {}
        self._by_brand: dict[str, list[Shelf]] = {}
        self._by_category: dict[str, list[Shelf]] = {}
        self.whole_order: list[Shelf] = []
        for (scope, before, end, top_up), offers in shelves.items():
            lists = (scope.skus, scope.brands, scope.categories)
            sure = not scope.leaves_out and sum(bool(one) for one in lists) == 1
            self._put(Shelf(scope, before, end, top_up, scope.leaves_out, sure, _ladders(offers), _priced(offers)))

    def plan(self, offer: Offer) -> Plan:
        """Which gifts an offer may send, worked out once."""
        plan = self._plans.get(offer.key)
        if plan is None:
            plan = self._plans[offer.key] = plan_of(offer)
        return plan

    def _put(self, shelf: Shelf) -> None:
        scope = shelf.scope
        if scope.whole_order:
            self.whole_order.append(shelf)
            return
        # One list is enough to find the shelf by; the narrowest is the cheapest, and `holds` checks the others.
        index, names = (
            (self._by_sku, scope.skus)
            if scope.skus
            else (self._by_brand, scope.brands)
            if scope.brands
            else (self._by_category, scope.categories)
        )
        for name in sorted(names):
            index.setdefault(name, []).append(shelf)

    @property
    def particular(self) -> bool:
        """Whether any scope names particular goods."""
        return bool(self._by_sku or self._by_brand or self._by_category)

    def shelves_of(self, line: Line) -> list[Shelf]:
        """The shelves whose scope names particular goods and holds the line, each once."""
        found = self._by_brand.get(line.brand)
        by_sku = self._by_sku.get(line.sku)
        if by_sku:
            found = by_sku if found is None else found + by_sku
        if self._by_category:
            for category in line.categories:
                by_category = self._by_category.get(category)
                if by_category:
                    found = by_category if found is None else found + by_category
        if found is None:
            return []
        held = [shelf for shelf in found if shelf.sure or shelf.scope.holds(line)]
        if len(held) > 1 and len(line.categories) > 1:
            return list({id(shelf): shelf for shelf in held}.values())
        return held


def _ladders(offers: Iterable[Offer]) -> list[Ladder]:
    by: dict[tuple[By, bool], list[Offer]] = {}
    for offer in offers:
        if offer.kind in ("gift", "benefit"):
            by.setdefault((offer.by, offer.strict), []).append(offer)
    return [Ladder(measure, group) for (measure, _), group in sorted(by.items())]


def _priced(offers: Iterable[Offer]) -> list[Offer]:
    return [offer for offer in offers if offer.kind in ("price", "reduction")]


NOTHING_LIVE = Live(())


class Book:
    """All revisions of all campaigns.

    Time is cut at every instant at which anything starts, ends or takes effect; between two cuts the live offers
    don't change, so each span's index is built once.
    """

    def __init__(self, campaigns: Iterable[Campaign] = ()) -> None:
        self._revisions: dict[str, list[Campaign]] = {}
        for campaign in sorted(campaigns, key=lambda c: (c.campaign, c.revision)):
            self._revisions.setdefault(campaign.campaign, []).append(campaign)
        cuts = {m for c in self for m in (c.effective_at, c.window.start, c.window.end)}
        self._cuts = sorted(cuts | {offer.window.end for c in self for offer in c.offers})
        # Bounded by spans and published markets and classes: an order from anywhere else finds nothing live.
        self._live: dict[tuple[int, str, str, OrderClass], Live] = {}
        self._markets = {(market, c.currency, kind) for c in self for market in c.markets for kind in c.classes}

    def __iter__(self) -> Iterator[Campaign]:
        """Every revision of every campaign, by id and revision."""
        return (c for revisions in self._revisions.values() for c in revisions)

    def get(self, campaign: str, revision: int) -> Campaign | None:
        """One revision, if the book has it."""
        return next((c for c in self._revisions.get(campaign, ()) if c.revision == revision), None)

    def latest(self, campaign: str) -> Campaign | None:
        """The highest revision of a campaign, in force or not."""
        revisions = self._revisions.get(campaign)
        return revisions[-1] if revisions else None

    def offer(self, key: str) -> Offer | None:
        """An offer by its name on the wire, in any revision of its campaign."""
        revisions = self._revisions.get(key.partition("/")[0], ())
        return next((o for c in revisions for o in c.offers if o.key == key), None)

    def in_force(self, instant: Instant) -> list[Campaign]:
        """For each campaign the highest revision effective at the instant, whether its window is open or not."""
        found = []
        for revisions in self._revisions.values():
            effective = [c for c in revisions if c.effective_at <= instant]
            if effective:
                found.append(effective[-1])
        return found

    def live(
        self,
        placed_at: Instant,
        market: str,
        currency: str,
        pins: dict[str, int] | None = None,
        order_class: OrderClass = "retail",
    ) -> Live:
        """The offers by which an order of a class, placed at the instant, is judged.

        ``pins`` are the revisions that an earlier entry of the order was judged by; they stay, whatever has been
        published since. They differ from what is in force only if a revision reached this reader late.
        """
        if (market, currency, order_class) not in self._markets or order_class in NEVER_CLASSES:
            return NOTHING_LIVE
        span = bisect_right(self._cuts, placed_at)
        key = (span, market, currency, order_class)
        live = self._live.get(key)
        if live is None:
            found = _open(self.in_force(placed_at), placed_at, market, currency, order_class)
            live = self._live[key] = Live(found, order_class, placed_at)
        if pins and any(live.revisions.get(c) != r for c, r in pins.items() if self.get(c, r)):
            pinned = {c.campaign: c for c in self.in_force(placed_at)}
            pinned |= {c: kept for c, r in pins.items() if (kept := self.get(c, r))}
            live = Live(_open(pinned.values(), placed_at, market, currency, order_class), order_class, placed_at)
        return live


def _open(
    campaigns: Iterable[Campaign], at: Instant, market: str, currency: str, order_class: OrderClass
) -> list[Campaign]:
    found = [c for c in campaigns if c.window.holds(at) and market in c.markets and c.currency == currency]
    return [c for c in found if order_class in c.classes]
