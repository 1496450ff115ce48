"""What the stages make of tickets, offers and gift units, step by step, to be held against the tables of `machines`.

A watched stage is the real one; after each fold it is seen what has changed. States are read from the stages' stores
and accounts from the balances, so nothing here shares code with what the tables guard.
"""

from datetime import datetime
from typing import Any

from makeweight.domain.book import Book
from makeweight.domain.machines import MACHINES, START, Step
from makeweight.domain.stock import Balance
from makeweight.stages.desk.state import ORDERS, Frozen, OrderState
from makeweight.stages.desk.tickets import tickets
from makeweight.stages.ledger.state import BALANCES, CLAIMS, OFFERS, OfferState, key
from makeweight.stages.port import Stage, Store, Subject

TABLES = {machine.name: frozenset(machine.steps) for machine in MACHINES}


class Watch:
    """Every step that was seen, by machine; one that is not in its table fails at once."""

    def __init__(self, book: Book) -> None:
        self.book = book
        self.seen: dict[str, set[Step]] = {name: set() for name in TABLES}
        self._offers: dict[str, str] = {}

    def elsewhere(self, book: Book) -> "Watch":
        """A watch over another shop, with other campaigns, that adds to what was seen."""
        other = Watch(book)
        other.seen = self.seen
        return other

    def on(self, stage: Stage) -> Any:
        """The stage, watched."""
        return Watched(stage, self)

    def step(self, machine: str, source: str, event: str, target: str) -> None:
        """A step was seen; to stay is none."""
        if source != target:
            step = Step(source, event, target)
            assert step in TABLES[machine], f"{machine}: {step} is not in the table"
            self.seen[machine].add(step)

    def look(self, books: Store, at: datetime) -> None:
        """What time alone has made of the offers since the last look."""
        for offer in {o.key for campaign in self.book for o in campaign.offers}:
            now = self.life(offer, books.get(OFFERS, offer), at)
            known = self._offers.get(offer)
            if known is None or known == "scheduled" or now == "ended" or "paused" in (known, now):
                self.step("offer", known or START, _of_time(known, now), now)
            self._offers[offer] = now

    def life(self, offer: str, level: OfferState | None, at: datetime) -> str:
        """Where an offer stands at an instant."""
        in_force = (o for campaign in self.book.in_force(at) for o in campaign.offers if o.key == offer)
        published = next(in_force, self.book.offer(offer))
        if published is not None and at < published.window.start:
            return "scheduled"
        if published is not None and at >= published.window.end:
            return "ended"
        if published is not None and published.paused:
            return "paused"
        if level is None or not (level.low or level.exhausted_at):
            return "live"
        return "exhausted" if level.exhausted_at else "running_low"


def _of_time(known: str | None, now: str) -> str:
    """What makes of one state of an offer another one without an entry of the ledger."""
    if known is None:
        return "published"
    if now == "ended":
        return "ends"
    return "starts" if known == "scheduled" else "paused" if now == "paused" else "resumed"


class Watched:
    """A stage as a host sees it."""

    def __init__(self, stage: Stage, watch: Watch) -> None:
        self._stage, self._watch = stage, watch

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stage, name)

    def fold(self, store: Store, entry: Any) -> list[Subject]:
        """Fold, and see what has changed."""
        see = self._desk if self._stage.name == "desk" else self._ledger
        return see(store, entry, self._stage.key_of(entry))

    def _desk(self, store: Store, entry: Any, order: str) -> list[Subject]:
        before = standing(store.get(ORDERS, order))
        subjects = self._stage.fold(store, entry)
        after = standing(store.get(ORDERS, order))
        assert before.keys() <= after.keys(), "a ticket is never forgotten"
        for ticket, state in after.items():
            event = entry.kind
            if event == "reported":
                event = entry.fact.happened if ticket == entry.fact.ticket else "beside"
            self._watch.step("ticket", before.get(ticket, START), event, state)
        return subjects

    def _ledger(self, store: Store, entry: Any, offer: str) -> list[Subject]:
        level, balances = store.get(OFFERS, offer), dict(store.scan(BALANCES, key(offer, "")))
        out = packed_of(store, entry)
        subjects = self._stage.fold(store, entry)
        out -= packed_of(store, entry)
        now = store.get(OFFERS, offer)
        if now is not None:
            event = entry.kind
            self._watch.step(
                "offer", self._watch.life(offer, level, entry.at), event, self._watch.life(offer, now, entry.at)
            )
        for place, balance in store.scan(BALANCES, key(offer, "")):
            old = balances.get(place) or Balance(offer, balance.gift, balance.site)
            for source, target in moved(old, balance, out):
                self._watch.step("units", source, _unit_event(entry, target), target)
        return subjects


def standing(state: OrderState | None) -> dict[str, str]:
    """The state of every ticket of an order: as it would be said if it is open, else what the warehouse did with it."""
    if state is None:
        return {}
    frozen = {f.ticket: _of_floor(f) for f in state.frozen}
    return {t.ticket: t.state for t in tickets(state)} | frozen


def _of_floor(frozen: Frozen) -> str:
    return "void" if frozen.paper.state == "void" else "packed" if frozen.packed else "released"


def packed_of(store: Store, entry: Any) -> int:
    """Units that went out with the order of a warehouse fact, and have not come back."""
    if entry.kind != "handled":
        return 0
    claim = store.get(CLAIMS, key(entry.command.offer, entry.command.order))
    return claim.packed if claim else 0


def moved(old: Balance, new: Balance, came_back: int = 0) -> list[tuple[str, str]]:
    """The accounts that an entry took units from and those that it brought them to: one of either, or many to one.

    Of what is back in stock, ``came_back`` units were an order's and had gone out with it.
    """

    def grown(name: str) -> int:
        return int(getattr(new, name) - getattr(old, name))

    accounts = {name: grown(name) for name in ("free", "reserved", "released", "quarantine", "in_transit", "damaged")}
    # The others stand for what came from there and went there.
    back = grown("restocked")
    accounts |= {
        "outside": -grown("received"),
        "over_gift": -grown("over_gift"),
        "packed": grown("packed") - min(back, max(0, came_back)),
        "shelf": min(0, max(0, came_back) - back),
        "counted": grown("count_loss") - grown("count_gain"),
        "elsewhere": grown("transferred_out") - grown("transferred_in"),
    }
    sources = [name for name, change in accounts.items() if change < 0]
    targets = [name for name, change in accounts.items() if change > 0]
    assert min(len(sources), len(targets)) <= 1, f"one entry took units of one balance from {sources} to {targets}"
    return [(source, target) for source in sources for target in targets]


BOOKED = {
    "count": "counted",
    "damage": "damaged",
    "transfer": "transferred",
    "transfer_in": "transferred_in",
    "arrival": "arrived",
}


def _unit_event(entry: Any, target: str) -> str:
    if entry.kind == "settled":
        return "granted" if target == "reserved" else "given_back"
    if entry.kind == "booked":
        return BOOKED[entry.command.kind]
    return entry.command.happened if entry.kind == "handled" else entry.kind
