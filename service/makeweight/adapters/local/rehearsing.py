"""The day so far once more, as far as a change of a campaign touches it.

A rehearsal takes in what both stages took in, in its order, and keeps for each offer how its ledger stood at marks on
the way. What a change does is then found from the mark before the first order that it judges: the events of the orders
that ever met a touched offer are judged again, and their claims settled by the ledger's own functions; nothing else is
looked at. Touched are the offers that change, those of their groups, those that use value up together, and those that
stock is moved to.

The desk's part is its own choice and claims without tickets and notices. What the warehouse did with a gift counts as
far as the order has that gift: nobody would have packed what no ticket had carried.
"""

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Mapping
from datetime import timedelta
from typing import Any, NamedTuple

from makeweight.adapters.local.books import Books, Chosen, Kept, Layer, Stock
from makeweight.domain.book import Book, Live
from makeweight.domain.campaigns import Campaign, Offer
from makeweight.domain.claims import HandledGift, Redress, Transfer, TransferIn
from makeweight.domain.moments import Instant
from makeweight.domain.orders import Order
from makeweight.domain.qualify import Evaluation
from makeweight.domain.values import replaced
from makeweight.planning.differing import (
    Difference,
    Figures,
    Narrowed,
    OfferChange,
    OrderChange,
    narrowed_by,
    touched_by,
    worth_the_same,
)
from makeweight.stages.ledger.state import BALANCES

MARK_EVERY = 1_000  # inputs: a change re-runs at most so many that it does not touch


class Rehearsal:
    """What both stages took in, and how each offer's ledger stood along the way."""

    def __init__(self, book: Book, mark_every: int = MARK_EVERY) -> None:
        self.book, self._mark_every = book, mark_every
        self._books = Books({})
        self._bodies: list[Order | Redress | Stock] = []
        self._ats: list[Instant] = []
        self._ahead = timedelta(0)  # how far the clock of an order was before the desk's, at most
        self._snapshots: dict[str, list[int]] = {}
        self._met: dict[str, tuple[str, ...]] = {}
        self._touching: dict[str, array[int]] = {}
        self._stock: dict[str, array[int]] = {}
        self._sent: set[tuple[str, str]] = set()
        self._released: dict[str, tuple[int, Instant]] = {}
        self._corrected: dict[str, list[tuple[int, Redress]]] = {}
        self._chosen: dict[int, Chosen] = {}
        self._had: dict[int, bool] = {}
        self._marks = [0]
        self._layers: dict[str, list[tuple[int, Layer]]] = {}
        self._figures: dict[str, Figures] = {}

    def __len__(self) -> int:
        """How many inputs were taken in."""
        return len(self._bodies)

    @property
    def newest(self) -> Instant | None:
        """When the latest order was placed."""
        placed = (body.placed_at for body in self._bodies if isinstance(body, Order))
        return max(placed, default=None)

    # --- taking in

    def take_order(self, event: Order, at: Instant) -> None:
        """An order's snapshot that the desk has judged, at the instant at which it did."""
        position = self._next(event, at)
        self._snapshots.setdefault(event.order, []).append(position)
        self._ahead = max(self._ahead, event.placed_at - self._ats[position])
        known = self._met.get(event.order, ())
        live = self._live(self.book, event, position)
        released_at = self._released_before(event.order, position)
        chosen = self._books.judge(event, live, known, at, released_at=released_at)
        if not known and not chosen.met:
            return
        self._chosen[position] = chosen
        self._met[event.order] = every = tuple(dict.fromkeys([*known, *chosen.met]))
        for offer in every:
            self._touching.setdefault(offer, array("L")).append(position)
            self._figures.pop(offer, None)

    def take_redress(self, redress: Redress, at: Instant) -> None:
        """An order that the desk has judged by a correction."""
        position = self._next(redress, at)
        self._corrected.setdefault(redress.order, []).append((position, redress))
        known = self._met.get(redress.order, ())
        met = self._once_more(self._books, redress, position, self.book, known, None).met
        self._met[redress.order] = every = tuple(dict.fromkeys([*known, *met]))
        for offer in every:
            self._stock.setdefault(offer, array("L")).append(position)
            self._figures.pop(offer, None)

    def _once_more(
        self, books: Books, redress: Redress, position: int, book: Book, scope: Collection[str], anew: "Anew | None"
    ) -> Chosen:
        event = self._last(redress.order, position)
        live = self._live(book, event, position, anew)
        released_at = self._released_before(redress.order, position)
        return books.judge_anew(event, live, scope, self._ats[position], released_at=released_at)

    def _last(self, order: str, position: int) -> Order:
        """An order as it was before an input came."""
        snapshots = self._snapshots[order]
        event = self._bodies[snapshots[bisect_left(snapshots, position) - 1]]
        assert isinstance(event, Order)
        return event

    def take_stock(self, body: Stock, at: Instant) -> None:
        """Stock that came in, what people said of it, or what the warehouse did with an order's gift."""
        if isinstance(body, TransferIn):
            return  # it follows from the transfer
        position = self._next(body, at)
        self._stock.setdefault(body.offer, array("L")).append(position)
        if isinstance(body, Transfer) and body.to_offer != body.offer:
            self._sent.add((body.offer, body.to_offer))
        if isinstance(body, HandledGift):
            self._had[position] = self._has(self._books, body)
        self._figures.pop(body.offer, None)
        for half in self._books.settle(body, at):
            self._figures.pop(half.offer, None)
            if half.offer != body.offer:
                self._stock.setdefault(half.offer, array("L")).append(len(self._bodies))
                self._bodies.append(half)
                self._ats.append(self._ats[-1])

    def released(self, order: str, at: Instant) -> None:
        """The first ticket of an order went to the floor."""
        self._released.setdefault(order, (len(self._bodies), at))

    def _next(self, body: Order | Redress | Stock, at: Instant) -> int:
        position = len(self._bodies)
        if position - self._marks[-1] >= self._mark_every:
            self._mark(position)
        at = max(at, self._ats[-1]) if self._ats else at
        self._bodies.append(body)
        self._ats.append(at)
        self._keep_time(position)
        return position

    def _mark(self, position: int) -> None:
        self._marks.append(position)
        for offer, store in self._books.stores.items():
            if store.touched:
                self._layers.setdefault(offer, []).append((position, store.taken()))

    def _released_before(self, order: str, position: int) -> Instant | None:
        at, when = self._released.get(order, (position, None))
        return when if at <= position else None

    def _keep_time(self, position: int) -> None:
        """Payments that are due when an input comes."""
        now = self._ats[position]
        found = self._books.due(now)
        for order in found[1] if found is not None else ():
            offers = self._met.get(order, ())
            self.lapse(self._books, order, position, self.book, offers, None)
            for offer in offers:
                self._figures.pop(offer, None)

    def lapse(
        self, books: Books, order: str, position: int, book: Book, offers: Collection[str], anew: "Anew | None"
    ) -> None:
        """What an order was not paid for in time, as it was noticed when an input came."""
        event = self._last(order, position)
        books.lapse(event, self._live(book, event, position, anew), offers, self._ats[position])

    def _live(self, book: Book, event: Order, position: int, anew: "Anew | None" = None) -> Live:
        """What an order is judged by at its place: corrections that it was judged by stay with it."""
        corrected = self._corrected.get(event.order)
        if corrected is None:
            return book.live(event.placed_at, event.market, event.currency, None, event.order_class)
        pins = {one.campaign: one.revision for at, one in corrected if at <= position}
        if anew is not None and event.placed_at >= anew.since:
            pins.pop(anew.campaign, None)  # of that, the changed revision is the highest
        return book.live(event.placed_at, event.market, event.currency, pins or None, event.order_class)

    @staticmethod
    def _has(books: Books, fact: HandledGift) -> bool:
        """Whether the order has, at that site, the gift that a fact is about."""
        state = books.claim_of(fact.offer, fact.order)
        return state is not None and (state.gift, state.site) == (fact.gift, fact.site) and state.held >= fact.units

    # --- what a change would make of it

    def figures(self, offer: str) -> Figures:
        """What an offer has come to."""
        known = self._figures.get(offer)
        if known is None:
            store = self._books.stores.get(offer)
            known = Figures()
            if store is not None:
                known = known.plus(store.standings.values())
                known = replaced(known, free_units=_free(store))
            self._figures[offer] = known
        return known

    def difference(self, changed: Campaign, since: Instant) -> Difference:
        """What had come of it with a revision in force since an instant; it must be its campaign's highest."""
        touched, wider = touched_by(self.book, changed, since)
        scope = self._closure(touched, changed)
        revisions = [c for c in self.book if (c.campaign, c.revision) != (changed.campaign, changed.revision)]
        book = _only([*revisions, replaced(changed, effective_at=since)], scope)
        snapshots = {p for offer in scope for p in self._touching.get(offer, ())}
        if wider:
            snapshots |= {p for p, b in enumerate(self._bodies) if isinstance(b, Order) and b.placed_at >= since}
        earliest = self.first_after(since - self._ahead)
        later = sorted(p for p in snapshots if p >= earliest)
        start = next((p for p in later if self._bodies[p].placed_at >= since), None)  # type: ignore[union-attr]
        if start is None:
            unchanged = [OfferChange(offer, self.figures(offer), self.figures(offer)) for offer in sorted(scope)]
            return Difference(unchanged, [], 0)
        mark = self._marks[bisect_right(self._marks, start) - 1]
        stock = {p for offer in scope for p in self._stock.get(offer, ())}
        positions = sorted(p for p in snapshots | stock if p >= mark)
        anew = Anew(changed.campaign, since, *self._known_before(changed, scope, since))
        books = _Again(self, book, scope, mark, anew)
        for position in positions:
            books.take(position)
        books.keep_time(len(self._bodies) - 1)
        return self._compared(books.books, scope, len(positions))

    def moved(self, transfer: Transfer, at: Instant) -> Difference:
        """What would come of a transfer after all that was taken in: who is served by it, and what is left where.

        A payment that has become overdue since the last input is noticed with the next one, not here.
        """
        scope = {transfer.offer, transfer.to_offer}
        books = Books({offer: self._books.of(offer).copy() for offer in scope})
        books.settle(transfer, at)
        return self._compared(books, scope, 1)

    def first_after(self, instant: Instant) -> int:
        """The first input at or after an instant."""
        return bisect_left(self._ats, instant)

    def _known_before(self, changed: Campaign, scope: Collection[str], since: Instant) -> tuple[Narrowed | None, bool]:
        """How orders claim as before or less; and whether they are worth to the touched offers what they were.

        Where an offer that is left away used value up, the others have it.
        """
        every = [o for c in [*self.book, changed] for o in c.offers if o.key in scope]
        once = any(o.value_used == "once" for o in every)
        kept = all((o.group is not None or o.value_used == "once") and o.paid_within_days is None for o in every)
        narrowed = narrowed_by(self.book, changed, since)
        if narrowed is not None and narrowed.closes and once:
            narrowed = None
        return narrowed, kept and worth_the_same(self.book, changed, since)

    def take_again(self, books: Books, position: int, book: Book, scope: Collection[str], anew: "Anew") -> None:
        """Take in an input into other books, with other campaigns."""
        body, at = self._bodies[position], self._ats[position]
        if isinstance(body, Order):
            self._take_order_again(books, body, position, book, scope, anew)
        elif isinstance(body, Redress):
            if body.campaign != anew.campaign or self._last(body.order, position).placed_at < anew.since:
                self._once_more(books, body, position, book, scope, anew)
        elif isinstance(body, TransferIn):
            if body.from_offer not in scope:  # else it follows from what the other offer sends
                books.settle(body, at)
        elif not isinstance(body, HandledGift) or self._has(books, body) == self._had[position]:
            books.settle(body, at)

    def _take_order_again(
        self, books: Books, event: Order, position: int, book: Book, scope: Collection[str], anew: "Anew"
    ) -> None:
        at, chosen = self._ats[position], self._chosen.get(position)
        live = None
        if chosen is not None:
            caps: Mapping[str, Offer] | None = {}
            if event.placed_at >= anew.since:
                caps = anew.narrowed.offers if anew.narrowed is not None else None
                if anew.narrowed is not None and anew.narrowed.closes:
                    live = self._live(book, event, position, anew)
            still = live.offers if live is not None else None
            if caps is not None and books.choose_again(event, chosen, scope, caps, still, at):
                return
        live, worth = live or self._live(book, event, position, anew), None
        if anew.same_worth and chosen is not None and all(line.added_at is None for line in event.lines):
            worth = Evaluation({}, [j for j in chosen.among if j.offer in live.offers])
        released_at = self._released_before(event.order, position)
        books.judge(event, live, scope, at, released_at=released_at, evaluation=worth)

    def at(self, offer: str, mark: int) -> Kept:
        """The ledger of an offer as it stood at a mark."""
        values: dict[str, dict[str, Any]] = {}
        for position, layer in self._layers.get(offer, ()):
            if position > mark:
                break
            for space, kept in layer.items():
                values.setdefault(space, {}).update(kept)
        return Kept.of(
            offer, {space: {k: v for k, v in kept.items() if v is not None} for space, kept in values.items()}
        )

    def _compared(self, books: Books, scope: Collection[str], rerun: int) -> Difference:
        """What orders have of some offers, held against other books."""
        offers, orders = [], []
        for offer in sorted(scope):
            other, before = books.of(offer), self.figures(offer)
            was, now = self._books.of(offer).standings, other.standings
            names = sorted({order for order, _ in was.items() ^ now.items()})
            differ = [OrderChange(order, offer, was.get(order), now.get(order)) for order in names]
            after = before.plus((one.before for one in differ), -1).plus(one.after for one in differ)
            offers.append(OfferChange(offer, before, replaced(after, free_units=_free(other))))
            orders += differ
        return Difference(offers, orders, rerun)

    def _closure(self, touched: Iterable[str], changed: Campaign) -> frozenset[str]:
        """The offers that a change reaches: through groups, value that counts once, and stock that is moved.

        Those that have to be paid for in time are always among them: when one lapses, its order is judged anew, and
        what it was refused before is asked for once more, or no longer.
        """
        every = [offer for c in [*self.book, changed] for offer in c.offers]
        reached, grown = set[str](), set(touched)
        if grown:
            grown |= {o.key for o in every if o.paid_within_days is not None}
        while grown:
            reached |= grown
            groups = {o.group for o in every if o.key in reached and o.group is not None}
            once = any(o.value_used == "once" for o in every if o.key in reached)
            near = {o.key for o in every if o.group in groups or (once and o.value_used == "once")}
            near |= {to for source, to in self._sent if source in reached}
            grown = near - reached
        return frozenset(reached)


class Anew(NamedTuple):
    """What has to be found anew of orders that are placed since an instant, and what is known from before.

    ``narrowed``: orders choose as they did, among the offers that they still meet.
    ``same_worth``: what they are worth to each touched offer is the same, as far as it is open to them.
    """

    campaign: str
    since: Instant
    narrowed: Narrowed | None
    same_worth: bool


class _Again:
    """The part of a rehearsal that a change touches, once more from a mark on."""

    def __init__(self, day: Rehearsal, book: Book, scope: Collection[str], mark: int, anew: Anew) -> None:
        self._day, self._book, self._scope, self._position = day, book, scope, mark - 1
        self._anew = anew
        self.books = Books({offer: day.at(offer, mark) for offer in scope}, self._noticed)

    def _noticed(self, pay_by: Instant) -> int:
        """The input at which it is noticed that the time to pay has passed: the first after that, and yet to come."""
        return max(self._day.first_after(pay_by), self._position + 1)

    def keep_time(self, position: int) -> None:
        """Payments that were due when an input came."""
        while (found := self.books.due(position)) is not None:
            self._position, orders = found
            for order in orders:
                self._day.lapse(self.books, order, self._position, self._book, self._scope, self._anew)

    def take(self, position: int) -> None:
        """Take in an input once more."""
        self.keep_time(position)
        self._position = position
        self._day.take_again(self.books, position, self._book, self._scope, self._anew)


def _free(store: Kept) -> dict[str, int]:
    return {f"{b.gift}/{b.site}": b.free for _, b in sorted(store.values(BALANCES).items())}


def _only(campaigns: Iterable[Campaign], scope: Collection[str]) -> Book:
    """The campaigns with some of their offers alone."""
    return Book(replaced(c, offers=tuple(o for o in c.offers if o.key in scope)) for c in campaigns)
