"""A shop in memory: both stages on one engine, driven by what happens in a shop and asked for what came of it.

`tests.support.build` makes orders and lines; `document` and `gives` here make campaign documents as people write them.
The defaults of both are the same: market IE, EUR, the week of 23 November 2026 in Dublin, campaign `week`, offer `tin`
that gives a TIN for 50.00 or more.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from makeweight.adapters.local.engine import Engine
from makeweight.adapters.local.memory import MemoryStore
from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.orders import digest
from makeweight.domain.book import Book
from makeweight.domain.claims import Decision, HandledGift, Receipt, Tick
from makeweight.domain.orders import DEFAULT_SITE, Fulfilment, HandledLine, Line, Order
from makeweight.domain.stock import Balance
from makeweight.domain.tickets import Notice, OfferLevel, PickTicket, Told
from makeweight.domain.values import replaced
from makeweight.stages.desk import Desk
from makeweight.stages.desk.state import ORDERS, OrderState
from makeweight.stages.desk.telling import told
from makeweight.stages.ledger import Ledger
from makeweight.stages.ledger.state import BALANCES, CLAIMS, ClaimState, key
from makeweight.stages.port import Message, Output, Stage, Store, Verdict, View
from tests.support.build import PLACED, WEEK
from tests.support.transitions import Watch

COUNTS = ("brands", "skus", "by", "at_least", "over", "basis", "not_reduced")
GIVES = ("benefit", "units", "for_each", "otherwise", "choice", "rides_with", "own_parcel", "back_orders")
ANSWERED = {"dangerous_goods": "none", "age": "none", "food": "none"}

# ---------------------------------------------------------------- campaign documents


def gives(name: str = "tin", gift: str | None = "TIN", **members: Any) -> dict[str, Any]:
    """An offer document. Members of `counts` and `gives` are told apart by their names; the rest is the offer's own."""
    counts = {n: members.pop(n) for n in COUNTS if n in members}
    if not {"at_least", "over", "by"} & counts.keys():
        counts["at_least"] = 50_00
    given = {n: members.pop(n) for n in GIVES if n in members}
    if "benefit" not in given:
        given["gift"] = gift
    return {"offer": name, "says": f"{name}, as announced", "counts": counts, "gives": given, **members}


def document(*offers: dict[str, Any], cautions: Mapping[str, Any] | None = None, **members: Any) -> dict[str, Any]:
    """A campaign document with the gifts that its offers name. `cautions` replaces the answers for some of them."""
    asked = [offer.get("gives", {}) for offer in offers]
    gifts = [(given.get("gift"), *given.get("otherwise", ()), *given.get("choice", ())) for given in asked]
    names = {name for given in gifts for name in given if name}
    answers = {name: (cautions or {}).get(name, ANSWERED) for name in sorted(names)}
    return {
        "campaign": "week",
        "title": "A week",
        "markets": ["IE"],
        "currency": "EUR",
        "zone": "Europe/Dublin",
        "from": "2026-11-23 00:00",
        "until": "2026-11-30 00:00",
        "gifts": [{"gift": n, "title": n.title(), "stated_value": 600, "cautions": a} for n, a in answers.items()],
        "offers": list(offers),
        **members,
    }


# ---------------------------------------------------------------- the shop


class SleepyLedger(Ledger):
    """A ledger that can be asleep: commands wait, as they do when its worker is down."""

    def __init__(self) -> None:
        self.asleep = False
        self.waiting: list[Message] = []

    def decide(self, store: Store, message: Message, view: View) -> Verdict:
        """Put the message aside while asleep."""
        if self.asleep:
            self.waiting.append(message)
            return Verdict("applied")
        return super().decide(store, message, view)


class Shop:
    """What happens in a shop goes in, each at its instant; what came of it can be asked."""

    def __init__(
        self,
        documents: Iterable[dict[str, Any]],
        stock: Mapping[tuple[str, str, str], int] | None = None,
        watch: Watch | None = None,
    ) -> None:
        self.desk, self.books, self.ledger = MemoryStore(), MemoryStore(), SleepyLedger()
        desk, ledger = (Desk(), self.ledger) if watch is None else (watch.on(Desk()), watch.on(self.ledger))
        self.engine = Engine((desk, self.desk), (ledger, self.books), self)
        self.engine.book = Book([read_campaign(one) for one in documents])
        self.entries: dict[str, list[Any]] = {"desk": [], "ledger": []}
        self.handled: list[tuple[str, Message, Verdict]] = []
        self.said: list[Output] = []
        self.snapshots: dict[str, Order] = {}
        self._tickets: dict[str, PickTicket] = {}
        self._notices: dict[str, Notice] = {}
        for (offer, gift, site), units in (stock or {}).items():
            self.receive(offer, gift, units, site=site, at=WEEK.start)

    # --- the engine's recorder

    def entry(self, stage: Stage, entry: Any) -> None:
        """Keep an entry."""
        self.entries[stage.name].append(entry)

    def result(self, stage: Stage, message: Message, verdict: Verdict) -> None:
        """Keep what became of a message, from outside or between the stages."""
        self.handled.append((stage.name, message, verdict))

    # --- what happens

    def take(self, stage: str, body: Any, at: datetime, content: str = "") -> Verdict:
        """Any message, and all that follows from it; what is said then reaches the consumers."""
        verdict = self.engine.handle(stage, Message(body, content), at)
        for output in self.engine.outputs():
            self._hear(output)
        return verdict

    def _hear(self, output: Output) -> None:
        """Consumers keep the highest (revision, edition) of a ticket and the newest revision of a notice."""
        self.said.append(output)
        body = output.body
        if output.channel == "pick-tickets":
            kept = self._tickets.get(output.id)
            if kept is None or (body.order_revision, body.edition) >= (kept.order_revision, kept.edition):
                self._tickets[output.id] = body
        elif output.channel == "notices":
            known = self._notices.get(output.id)
            if known is None or body.revision >= known.revision:
                self._notices[output.id] = body

    def place(self, *orders: Order, at: datetime | None = None) -> Verdict:
        """Snapshots arrive, at once unless said otherwise; the last one's verdict."""
        assert orders
        for order in orders:
            known = self.snapshots.get(order.order)
            if known is None or order.revision > known.revision:
                self.snapshots[order.order] = order
            verdict = self.take("desk", order, at or max(order.placed_at, order.revised_at), digest(order))
        return verdict

    def amend(self, order: str, *lines: Line, at: datetime | None = None, **members: Any) -> Verdict:
        """The next revision of an order arrives; without lines it keeps those it has."""
        return self.place(amended(self.snapshots[order], *lines, at=at, **members))

    def cancel(self, order: str, at: datetime | None = None) -> Verdict:
        """The order is cancelled."""
        return self.amend(order, at=at, status="cancelled")

    def released(self, ticket: str, at: datetime = PLACED, **members: Any) -> Verdict:
        """The warehouse releases a ticket to the floor."""
        return self._fact("released", ticket, at, members)

    def packed(self, ticket: str, at: datetime = PLACED, **members: Any) -> Verdict:
        """The warehouse packs a ticket."""
        return self._fact("packed", ticket, at, members)

    def dispatched(self, ticket: str, at: datetime = PLACED, **members: Any) -> Verdict:
        """The parcel of a ticket goes to the carrier."""
        return self._fact("dispatched", ticket, at, members)

    def short_picked(self, ticket: str, at: datetime = PLACED, **members: Any) -> Verdict:
        """The warehouse does not find what is on a ticket."""
        return self._fact("short_picked", ticket, at, members)

    def put_back(self, ticket: str, at: datetime = PLACED, **members: Any) -> Verdict:
        """The warehouse puts what was on a ticket back on the shelf."""
        return self._fact("put_back", ticket, at, members)

    def gift_returned(self, ticket: str, at: datetime = PLACED, **members: Any) -> Verdict:
        """Gifts of a ticket come back from the customer."""
        return self._fact("gift_returned", ticket, at, members)

    def _fact(self, happened: str, ticket: str, at: datetime, members: dict[str, Any]) -> Verdict:
        """A warehouse event on a ticket, with an id made of both unless one is given."""
        order = ticket.partition("/")[0]
        event = f"{happened}-{ticket}".replace("/", "-")
        fact = Fulfilment(
            **{"event": event, "order": order, "ticket": ticket, "happened": happened, "at": at, **members}
        )
        return self.take("desk", fact, at, digest(fact))

    def receive(
        self, offer: str, gift: str, units: int, *, site: str = DEFAULT_SITE, at: datetime = PLACED, **members: Any
    ) -> Verdict:
        """Gift units come in for an offer."""
        receipt = {"id": f"{gift}-{site}-{len(self.handled)}", "offer": offer, "gift": gift, "site": site, **members}
        return self.take("ledger", Receipt(**receipt, units=units), at)

    def tick(self, at: datetime) -> None:
        """Both stages hear the time."""
        for stage in ("desk", "ledger"):
            self.take(stage, Tick(f"{stage}-{at:%H%M%S}", at), at)

    def sleep(self) -> None:
        """The ledger goes down."""
        self.ledger.asleep = True

    def wake(self, at: datetime) -> None:
        """The ledger is up again and takes what has waited."""
        self.ledger.asleep = False
        waiting, self.ledger.waiting = self.ledger.waiting, []
        for message in waiting:
            self.take("ledger", message.body, at)

    # --- what came of it

    def state(self, order: str) -> OrderState:
        """The order as the desk knows it."""
        state = self.desk.get(ORDERS, order)
        assert state is not None, f"the desk knows no order {order}"
        return state

    def outcome(self, order: str, offer: str = "week/tin") -> Decision | None:
        """The ledger's latest answer to the order; None where there was no claim, or no answer yet."""
        wish = self.state(order).wishes.get(offer)
        return wish.answer if wish else None

    def got(self, order: str, offer: str = "week/tin") -> tuple[str, int, str | None, str | None]:
        """The outcome in short: what, how many units, of which gift, and the reason."""
        answer = self.outcome(order, offer)
        assert answer is not None, f"order {order} has no answer on {offer}"
        return answer.outcome, answer.units, answer.gift, answer.reason

    def claim(self, order: str, offer: str = "week/tin") -> ClaimState:
        """The order's claim as the ledger knows it."""
        state = self.books.get(CLAIMS, key(offer, order))
        assert state is not None, f"the ledger knows no claim of {order} on {offer}"
        return state

    def balance(self, offer: str = "week/tin", gift: str = "TIN", site: str = DEFAULT_SITE) -> Balance:
        """The ledger's balance; all zero where it has none."""
        return self.books.get(BALANCES, key(offer, gift, site)) or Balance(offer, gift, site)

    def ticket(self, order: str, site: str = DEFAULT_SITE, number: int = 1) -> PickTicket:
        """The valid edition of a ticket."""
        return self._tickets[f"{order}/{site}/{number}"]

    def tickets(self, order: str) -> dict[str, PickTicket]:
        """The valid editions of all tickets of an order."""
        return {name: t for name, t in sorted(self._tickets.items()) if t.order == order}

    def told(self, order: str, offer: str = "week/tin") -> Told | None:
        """What agents are told of an offer on an order."""
        return next((t for t in told(self.state(order)) if t.offer == offer), None)

    def notices(self, order: str) -> dict[str, Notice]:
        """The notices on an order by kind and what they are about; a closed one has amount 0."""
        return {id_.partition("/")[2]: n for id_, n in self._notices.items() if n.order == order}

    def amounts(self, order: str) -> dict[str, int]:
        """The amounts of the notices that are open."""
        return {what: n.amount for what, n in self.notices(order).items() if n.amount}

    def notice(self, id_: str) -> Notice | None:
        """A notice by its whole id, also those on an offer's stock."""
        return self._notices.get(id_)

    def level(self, offer: str = "week/tin") -> OfferLevel | None:
        """The offer's latest level."""
        levels = [o.body for o in self.said if o.channel == "offer-levels" and o.id == offer]
        return levels[-1] if levels else None

    def caused(self, before: int) -> int:
        """Messages handled since a mark, itself a length of `handled`."""
        return len(self.handled) - before


# ---------------------------------------------------------------- snapshots and facts


def amended(order: Order, *lines: Line, at: datetime | None = None, **members: Any) -> Order:
    """The next revision of a snapshot: its lines replaced, and numbered anew, where any are given."""
    numbered = [replaced(one, number=n, sku=one.sku or f"SKU-{n}") for n, one in enumerate(lines, 1)]
    return replaced(
        order,
        **{
            "revision": order.revision + 1,
            "status": "amended",
            "revised_at": at or order.revised_at,
            "lines": numbered or order.lines,
            **members,
        },
    )


def handled_gift(units: int, offer: str = "week/tin", gift: str = "TIN") -> HandledLine:
    """A gift line that the warehouse names in its event."""
    return HandledLine(units=units, offer=offer, gift=gift)


def handled_line(units: int, number: int = 1) -> HandledLine:
    """An order line that the warehouse names in its event."""
    return HandledLine(units=units, line=number)


def gift_command(happened: str, units: int, order: str = "A", offer: str = "week/tin", **members: Any) -> HandledGift:
    """What the desk tells the ledger of a warehouse event."""
    defaults = {"id": f"{order}/{happened}-{units}/{offer}", "gift": "TIN", "site": DEFAULT_SITE, "at": PLACED}
    return HandledGift(**{**defaults, **members}, order=order, offer=offer, units=units, happened=happened)
