"""A replay: orders, campaigns and stock in; tickets and a summary out; in memory, by the very same stages."""

from collections.abc import Callable, Iterable
from typing import Any

from makeweight.adapters.local.engine import Engine
from makeweight.adapters.local.memory import MemoryStore
from makeweight.contracts.canonical import run_hash, ticket_hash
from makeweight.domain.book import Book
from makeweight.domain.campaigns import SINCE_EVER, Offer
from makeweight.domain.claims import Receipt, Tick
from makeweight.domain.moments import Instant
from makeweight.domain.orders import Fulfilment, Order
from makeweight.domain.tickets import PickTicket
from makeweight.insight.summary import offers_summary
from makeweight.insight.tally import Tally
from makeweight.planning.ending import decisions_of
from makeweight.stages.desk import Desk
from makeweight.stages.desk.standing import in_window, standing
from makeweight.stages.desk.state import ORDERS, OrderState
from makeweight.stages.ledger import Ledger
from makeweight.stages.ledger.state import BALANCES, CLAIMS, OFFERS
from makeweight.stages.port import Message, Output, Stage, Verdict

UNLIMITED_UNITS = 10**12  # what a gift without a stock file starts with at each site: more than any replay hands out
BATCH = 500  # orders between two collections of outputs
Sink = Callable[[PickTicket], None]  # takes every current ticket as it changes


class Replay:
    """A run in memory. Without stock every gift is unlimited."""

    def __init__(self, book: Book, stock: Iterable[Receipt] | None, sink: Sink | None = None) -> None:
        self._desk, self._ledger = MemoryStore(), MemoryStore()
        self.engine = Engine((Desk(), self._desk), (Ledger(), self._ledger), self)
        self.engine.book = book
        self._sink = sink
        self.tally = Tally()
        self._before: dict[str, OrderState | None] = {}
        self._tickets: dict[str, str] = {}
        self._states: dict[str, str] = {}
        self.unlimited = stock is None
        self.results: dict[str, int] = {}
        self.problems: list[str] = []
        self.orders: set[str] = set()
        self.lines = 0
        self._now: Instant = SINCE_EVER
        self._sites: set[str] = set()
        for receipt in stock or ():
            self.engine.handle("ledger", Message(receipt), _stock_instant(book))

    def entry(self, stage: Stage, entry: Any) -> None:
        """Remember how an order stood before its first change of the batch."""
        if stage.name == "desk":
            key = entry.order if isinstance(entry.order, str) else entry.order.order
            if key not in self._before:
                self._before[key] = self._desk.get(ORDERS, key)

    def result(self, stage: Stage, message: Message, verdict: Verdict) -> None:  # noqa: ARG002 - the engine's port
        """Keep what was refused."""
        if verdict.problem is not None:
            self.problems.append(verdict.problem.sentence)

    def take(self, body: Order | Fulfilment, digest: str = "") -> Verdict:
        """Take in an event. The clock is the latest instant that the events have shown."""
        at = max(body.placed_at, body.revised_at) if isinstance(body, Order) else body.at
        self._now = max(self._now, at)
        if self.unlimited and isinstance(body, Order):
            self._open_sites(body)
        self.keep_time(self._now)
        verdict = self.engine.handle("desk", Message(body, digest), self._now)
        self.results[verdict.result] = self.results.get(verdict.result, 0) + 1
        if isinstance(body, Order) and verdict.result == "applied":
            self.orders.add(body.order)
            self.lines += len(body.lines)
        return verdict

    def keep_time(self, now: Instant) -> None:
        """What is due by the clock of the events: payments that did not come, gifts that were not put back."""
        if self._desk.due(ORDERS, now, 1):
            self.engine.handle("desk", Message(Tick(f"tick:{now.isoformat()}", now)), now)

    @property
    def collect_due(self) -> bool:
        """Whether enough orders have changed since outputs were last collected."""
        return len(self._before) >= BATCH

    def _open_sites(self, order: Order) -> None:
        """At a site's first order every gift gets more units there than could ever be asked."""
        for site in {line.site for line in order.lines} - self._sites:
            self._sites.add(site)
            for offer in (o for c in self.engine.book for o in c.offers):
                for gift in offer.gifts:
                    receipt = Receipt(f"unlimited:{gift}:{site}", offer.key, gift, site, UNLIMITED_UNITS)
                    self.engine.handle("ledger", Message(receipt), self._now)

    def collect(self, *, forget: bool = False) -> None:
        """Say what is to be said, and count. ``forget`` drops orders that can't come again."""
        for output in self.engine.outputs():
            self._said(output)
        for key, before in self._before.items():
            after = self._desk.get(ORDERS, key)
            if before is not None:
                self.tally.add(standing(before), -1)
                self.tally.add_in_window(in_window(before), -1)
            self.tally.add(standing(after))
            self.tally.add_in_window(in_window(after))
            if forget:
                self._desk.drop(ORDERS, key)
        self._before.clear()

    def _said(self, output: Output) -> None:
        if output.channel == "pick-tickets":
            ticket: PickTicket = output.body
            self._tickets[ticket.ticket] = ticket_hash(ticket)
            self._states[ticket.ticket] = ticket.state
            if self._sink is not None:
                self._sink(ticket)

    def decisions(self) -> dict[str, dict[str, Any]]:
        """The decisions that stand, by order/offer: claims of nothing that hold nothing are left out."""
        return decisions_of(self._ledger.values(CLAIMS).values())

    def summary(self, rejected_rows: int) -> dict[str, Any]:
        """The fixed shape of a replay's summary."""
        self.collect()
        offers: dict[str, Offer] = {o.key: o for c in self.engine.book for o in c.offers}
        exhausted = {key: state.exhausted_at for key, state in self._ledger.values(OFFERS).items()}
        tickets: dict[str, int] = {}
        for state in self._states.values():
            tickets[state] = tickets.get(state, 0) + 1
        balances = self._ledger.values(BALANCES).values()
        return {
            "orders": len(self.orders),
            "lines": self.lines,
            "rejected_rows": rejected_rows,
            "stock": "unlimited" if self.unlimited else "file",
            "offers": offers_summary(offers.values(), self.tally, exhausted),
            "tickets": dict(sorted(tickets.items())),
            "canonical_sha256": run_hash(self.decisions(), balances, self._tickets),
        }

    def known_orders(self) -> dict[str, OrderState]:
        """The orders that the desk keeps, by id."""
        return self._desk.values(ORDERS)

    def balances(self) -> dict[str, Any]:
        """The ledger's balances, by key."""
        return self._ledger.values(BALANCES)


def _stock_instant(book: Book) -> Instant:
    """Stock of a replay is there before the first campaign starts."""
    return min((c.window.start for c in book), default=SINCE_EVER)
