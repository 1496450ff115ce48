"""What went out on a ticket: its paper, and the units that the warehouse packed of each of its lines."""

from collections.abc import Iterable

from makeweight.domain.entries import DeskEntry, Reported
from makeweight.domain.moments import Instant
from makeweight.domain.orders import Fulfilment, HandledLine
from makeweight.domain.tickets import PickTicket
from makeweight.domain.values import value
from makeweight.stages.desk.state import OrderState
from makeweight.stages.desk.tickets import tickets

SENT = frozenset({"packed", "dispatched"})  # a warehouse that only says the latter packed before

Key = int | str  # a line of the order by its number, a gift line by its offer


class NotPacked(LookupError):
    """There is no such ticket, or nothing of it went out yet; the message says which."""


@value
class Parcel:
    """A ticket as it went to the floor, what was packed of it and when, and why a line is short."""

    ticket: PickTicket
    packed_at: Instant
    delivered: dict[Key, int]
    reasons: dict[Key, str]


def parcel(state: OrderState, entries: Iterable[DeskEntry], ticket: str) -> Parcel:
    """What went out on a ticket of an order, from the order's entries. ``NotPacked`` if nothing did.

    A report without lines is about all that is left of the paper. Gifts that were packed without being on it are no
    part of the ticket: they are told by a notice. What comes back from the customer has been delivered.
    """
    paper = next((frozen.paper for frozen in state.frozen if frozen.ticket == ticket), None)
    facts = _facts(entries, ticket)
    sent = [fact.at for fact in facts if fact.happened in SENT]
    if paper is None or not sent or paper.state == "void":
        known = [frozen.ticket for frozen in state.frozen] + [one.ticket for one in tickets(state)]
        if ticket not in known:
            named = ", ".join(known) or "none"
            raise NotPacked(f"order {state.order.order} has no ticket {ticket!r}; it has {named}")
        what = "was put back" if sent else "is not packed yet"
        raise NotPacked(f"ticket {ticket} {what}: there is nothing to advise")
    ordered: dict[Key, int] = {line.number: line.live_units for line in paper.lines}
    ordered |= {gift.offer: gift.units for gift in paper.gift_lines}
    box = _Box(ordered)
    for fact in facts:
        box.take(fact)
    return Parcel(paper, max(sent), box.packed, box.reasons)


class _Box:
    """The units on the way into the parcel, fact by fact; each line's units are to be packed, packed, or off it."""

    def __init__(self, ordered: dict[Key, int]) -> None:
        self._open = dict(ordered)
        self.packed = dict.fromkeys(ordered, 0)
        self.reasons: dict[Key, str] = {}

    def take(self, fact: Fulfilment) -> None:
        """What a fact did to the lines that it names, or to all."""
        named: dict[Key, int] = {}
        for line in fact.lines:
            named[_key(line)] = named.get(_key(line), 0) + line.units
        for key in self._open:
            if key in named or not fact.lines:
                self._move(fact, key, named.get(key))

    def _move(self, fact: Fulfilment, key: Key, units: int | None) -> None:
        open_units, packed = self._open[key], self.packed[key]
        if fact.happened in SENT:
            more = open_units if units is None else units
            if fact.happened == "dispatched" and units is not None:
                more = max(0, units - packed)  # what was packed is on its way with the rest
            self.packed[key], self._open[key] = packed + more, max(0, open_units - more)
        elif fact.happened == "short_picked":
            self._open[key] = 0 if units is None else max(0, open_units - units)
            self.reasons[key] = fact.reason or "not found in its place"
        elif fact.happened == "put_back":
            off = open_units + packed if units is None else units
            self._open[key] = max(0, open_units - off)
            self.packed[key] = packed - min(packed, max(0, off - open_units))
            self.reasons[key] = fact.reason or "put back"


def _facts(entries: Iterable[DeskEntry], ticket: str) -> list[Fulfilment]:
    """The warehouse's facts about a ticket; of those with one id the first in the log is the one that counts."""
    found: dict[str, Fulfilment] = {}
    for entry in entries:
        if isinstance(entry, Reported) and entry.fact.ticket == ticket:
            found.setdefault(entry.fact.event, entry.fact)
    return list(found.values())


def _key(line: HandledLine) -> Key:
    if line.line is not None:
        return line.line
    return line.offer or ""
