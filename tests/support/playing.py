"""Scenarios as data, and what came of one that was played, on whichever runtime: the same words for all of them.

A scenario is written with short names (campaign `week`, order `A`); `named` puts its own name before each of them and
gives it a market of its own, so that many are played on one installation without meeting.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from makeweight.domain.claims import Receipt
from makeweight.domain.orders import DEFAULT_SITE, Fulfilment, HandledLine, Order
from makeweight.domain.tickets import Notice, OfferLevel, PickTicket
from makeweight.domain.values import replaced
from makeweight.planning.ending import Ending
from makeweight.stages.desk.telling import told
from tests.support.build import PLACED, line, order
from tests.support.shop import amended

TIN = "week/tin"
END = PLACED + timedelta(days=60)  # when everything that was ever to be due is
IDS = ("id", "offer", "to_offer", "transfer")  # of what people say of stock


def clock(minutes: float = 0, *, days: float = 0) -> datetime:
    """So long after the week's first order."""
    return PLACED + timedelta(minutes=minutes, days=days)


@dataclass(frozen=True)
class Step:
    """What comes at an instant: an order, a fact, what people say of stock; nothing but time where it is None.

    ``beside``: it doesn't wait for what came before it.
    """

    at: datetime
    body: Any = None
    beside: bool = False


@dataclass(frozen=True)
class Paper:
    """What a ticket must be: its state, gift units by name, what is to be taken off, and its lines, if it is asked."""

    state: str = "final"
    gifts: Mapping[str, int] = field(default_factory=dict)
    off: Mapping[Any, int] = field(default_factory=dict)
    lines: Mapping[int, int] | None = None
    benefits: tuple[str, ...] | None = None


@dataclass(frozen=True)
class Answer:
    """What the ledger must have decided."""

    outcome: str
    units: int = 0
    gift: str | None = None
    owed: int = 0
    reason: str | None = None
    site: str | None = None


@dataclass(frozen=True)
class Expected:
    """What must be so at the end. All tickets and open notices are named; of the rest, what is named is looked at.

    Decisions and what agents are told are by order, or by order and offer where that isn't `week/tin`; balances by
    offer/gift/site of campaign `week`, levels by offer.
    """

    tickets: Mapping[str, Paper]
    decisions: Mapping[Any, Answer | None] = field(default_factory=dict)
    balances: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    notices: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    told: Mapping[Any, tuple[str, str | None]] = field(default_factory=dict)
    levels: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


@dataclass(frozen=True)
class Scenario:
    """A worked example in steps. ``either``: two orders of which one has what the other has not, whichever it is."""

    name: str
    says: str
    campaigns: tuple[dict[str, Any], ...]
    stock: Mapping[tuple[str, str, str], int]
    steps: tuple[Step, ...]
    so: Expected
    either: tuple[str, str] | None = None

    @property
    def documents(self) -> list[dict[str, Any]]:
        """Its campaigns under its own name."""
        return [{**one, "campaign": f"{self.name}-{one['campaign']}", "markets": [self.name]} for one in self.campaigns]

    @property
    def opening(self) -> dict[tuple[str, str, str], int]:
        """Its stock under its own name."""
        return {(f"{self.name}-{offer}", gift, site): units for (offer, gift, site), units in self.stock.items()}

    def named(self) -> list[Step]:
        """Its steps under its own name."""
        return [Step(step.at, self._named(step.body), step.beside) for step in self.steps]

    def _named(self, body: Any) -> Any:
        if body is None:
            return None
        own = f"{self.name}-"
        if isinstance(body, Order):
            customer = None if body.customer is None else own + body.customer
            return replaced(body, order=own + body.order, market=self.name, customer=customer)
        if isinstance(body, Fulfilment):
            lines = [replaced(one, offer=own + one.offer) if one.offer else one for one in body.lines]
            names = {"event": own + body.event, "order": own + body.order, "ticket": own + body.ticket}
            return replaced(body, **names, lines=lines)
        return replaced(body, **{name: own + getattr(body, name) for name in IDS if hasattr(body, name)})


# ---------------------------------------------------------------- words that many of them use

T0, T10, T20, T40 = clock(), clock(10), clock(20), clock(40)
GIVEN = Answer("granted", 1, "TIN")
A, B = order(line(6000)), order(line(6000), order="B")


def tins(units: int = 9, *sites: str) -> dict[tuple[str, str, str], int]:
    """Stock of the tin at some sites."""
    return {(TIN, "TIN", site): units for site in sites or (DEFAULT_SITE,)}


def places(*orders: Order, at: datetime | None = None) -> tuple[Step, ...]:
    """Snapshots arrive, at once unless said otherwise."""
    return tuple(Step(at or max(one.placed_at, one.revised_at), one) for one in orders)


def ended(before: Order, **members: Any) -> tuple[Step, ...]:
    """An order's next revision arrives."""
    return places(amended(before, *members.pop("lines", ()), **members))


def beside(*steps: Step) -> tuple[Step, ...]:
    """Steps that don't wait for each other."""
    return tuple(Step(one.at, one.body, n > 0) for n, one in enumerate(steps))


def does(happened: str, ticket: str, at: datetime, *lines: HandledLine, **members: Any) -> tuple[Step]:
    """A fact of the warehouse on a ticket."""
    event = f"{happened}-{ticket}-{at:%d%H%M}".replace("/", "-")
    order = ticket.partition("/")[0]
    return (Step(at, Fulfilment(event, order, ticket, happened, at, lines=list(lines), **members)),)


def back(condition: str | None, units: int = 1, offer: str = TIN, gift: str = "TIN") -> HandledLine:
    """A gift that came back, and what it was found to be."""
    return HandledLine(units, offer=offer, gift=gift, condition=condition)


def says(command: Any, at: datetime | None = None) -> tuple[Step]:
    """What people say of stock, at its own instant unless it has none."""
    return (Step(at or command.at, command),)


def receives(units: int, at: datetime, gift: str = "TIN", site: str = DEFAULT_SITE, offer: str = TIN) -> Any:
    """Stock comes in."""
    return says(Receipt(f"r-{gift}-{site}-{at:%d%H%M}", offer, gift, site, units), at)


def passes(*instants: datetime) -> tuple[Step, ...]:
    """Nothing but time."""
    return tuple(Step(at) for at in instants)


# ---------------------------------------------------------------- what came of it


@dataclass
class Found:
    """A scenario's part of what an installation came to, in the scenario's own short names."""

    scenario: Scenario
    ending: Ending
    notices: Iterable[Notice]
    levels: Iterable[OfferLevel]

    def _short(self, text: str) -> str:
        return text.replace(f"{self.scenario.name}-", "")

    def _mine(self, name: str) -> bool:
        return name.startswith(f"{self.scenario.name}-")

    def tickets(self) -> dict[str, Paper]:
        """Every ticket."""
        return {self._short(id_): self._paper(t) for id_, t in self.ending.tickets.items() if self._mine(id_)}

    def _paper(self, ticket: PickTicket) -> Paper:
        return Paper(
            ticket.state,
            {line.gift: line.units for line in ticket.gift_lines},
            {x.line if x.offer is None else self._short(x.offer): x.units for x in ticket.take_off},
            {line.number: line.live_units for line in ticket.lines},
            tuple(ticket.benefits),
        )

    def decisions(self) -> dict[tuple[str, str], Answer | None]:
        """The latest answer to each claim, as the desk heard it."""
        return {
            (self._short(name), self._short(offer)): None
            if (said := wish.answer) is None
            else Answer(said.outcome, said.units, said.gift, said.owed, said.reason, said.site)
            for name, state in self.ending.orders.items()
            if self._mine(name)
            for offer, wish in state.wishes.items()
        }

    def balances(self) -> dict[str, dict[str, Any]]:
        """Every balance; each must add up."""
        mine = [b for b in self.ending.balances if self._mine(b.offer)]
        for balance in mine:
            balance.check()
        names = ("offer", "gift", "site")
        return {
            self._short(f"{b.offer}/{b.gift}/{b.site}").removeprefix("week/"): {
                name: number for name, number in b.__dict__.items() if name not in names
            }
            for b in mine
        }

    def open_notices(self) -> dict[str, dict[str, int]]:
        """Amounts by order and what they are about, of what the newest revision leaves open."""
        newest: dict[str, Notice] = {}
        for one in self.notices:
            known = newest.get(one.id)
            if known is None or (one.revision, one.edition) >= (known.revision, known.edition):
                newest[one.id] = one
        found: dict[str, dict[str, int]] = {}
        for id_, one in sorted(newest.items()):
            if one.order is not None and one.amount and self._mine(one.order):
                name, _, about = self._short(id_).partition("/")
                found.setdefault(name, {})[about] = one.amount
        return found

    def told(self) -> dict[tuple[str, str], tuple[str, str | None]]:
        """Outcome and reason that agents are told."""
        states = [(name, state) for name, state in self.ending.orders.items() if self._mine(name)]
        return {(self._short(name), self._short(t.offer)): (t.outcome, t.reason) for name, s in states for t in told(s)}

    def newest_levels(self) -> dict[str, OfferLevel]:
        """The newest level of each offer."""
        found: dict[str, OfferLevel] = {}
        for level in sorted(self.levels, key=lambda one: one.sequence):
            if self._mine(level.offer):
                found[self._short(level.offer).removeprefix("week/")] = level
        return found

    def all(self) -> dict[str, Any]:
        """Everything that does not depend on how it was played, to compare two runtimes."""
        return {
            "tickets": self.tickets(),
            "decisions": self.decisions(),
            "balances": self.balances(),
            "notices": self.open_notices(),
            "told": self.told(),
        }


def check(found: Found) -> None:
    """What must be so is so."""
    if found.scenario.either:
        found = _swapped(found)
    so, tickets, decisions = found.scenario.so, found.tickets(), found.decisions()
    assert tickets.keys() == so.tickets.keys()
    for id_, expected in so.tickets.items():
        asked = {name for name, wanted in expected.__dict__.items() if wanted is not None}
        seen = {name: kept for name, kept in tickets[id_].__dict__.items() if name in asked}
        assert (id_, seen) == (id_, {name: expected.__dict__[name] for name in asked})
    for name, expected in so.decisions.items():
        answer = decisions.get(_pair(name))
        if answer is not None and (expected is None or expected.site is None):
            answer = Answer(**{**answer.__dict__, "site": None})
        assert (name, answer) == (name, expected)
    balances = found.balances()
    for name, expected in so.balances.items():
        assert (name, {n: balances.get(name, {}).get(n, 0) for n in expected}) == (name, dict(expected))
    assert found.open_notices() == so.notices
    heard = found.told()
    for name, expected in so.told.items():
        assert (name, heard.get(_pair(name))) == (name, expected)
    levels = found.newest_levels()
    for name, expected in so.levels.items():
        assert (name, {n: getattr(levels[name], n) for n in expected}) == (name, dict(expected))


def _pair(name: Any) -> tuple[str, str]:
    return (name, "week/tin") if isinstance(name, str) else name


def _swapped(found: Found) -> Found:
    """The same with the names of two orders exchanged, if it was the second of them that had it."""
    first, second = found.scenario.either or ("", "")
    expected = found.scenario.so.decisions[first]
    answer = found.decisions()[first, "week/tin"]
    assert expected is not None
    if answer is not None and answer.outcome == expected.outcome:
        return found
    own = found.scenario.name
    exchanged = {f"{own}-{first}": f"{own}-{second}", f"{own}-{second}": f"{own}-{first}"}

    def swap(id_: str) -> str:
        name, slash, rest = id_.partition("/")
        return exchanged.get(name, name) + slash + rest

    ending = found.ending
    orders = {swap(name): state for name, state in ending.orders.items()}
    tickets = {swap(name): ticket for name, ticket in ending.tickets.items()}
    notices = [replaced(one, id=swap(one.id), order=swap(one.order or "")) for one in found.notices]
    return Found(found.scenario, Ending(orders, ending.claims, ending.balances, tickets), notices, found.levels)
