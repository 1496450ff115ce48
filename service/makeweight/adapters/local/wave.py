"""Which tickets there are to pick, and which are on the floor: an index kept up to date from a service's database.

Only tickets that someone may still have to do something about are in it: neither those that were packed nor void ones.
What a ticket carries is asked of its order when it is shown or printed; the index says which there are.
"""

from collections.abc import Iterable
from typing import Literal, NamedTuple

import orjson

from makeweight.adapters.local.reading import Reader

Standing = Literal["to_pick", "held", "on_floor", "take_off"]
GONE = frozenset({"packed", "dispatched"})
CHUNK = 2_000
MAX_AHEAD = 10_000  # reports on tickets that have not been read yet


class Listed(NamedTuple):
    """A ticket in the index. ``gifts`` are units by gift; ``position`` is that of its latest edition."""

    ticket: str
    order: str
    site: str
    standing: Standing
    follows: bool
    goods: int
    gifts: tuple[tuple[str, int], ...]
    position: int


class Wave:
    """The index. ``pull`` takes in what is new; not for several threads at once."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader
        self._said = self._reported = 0
        self._listed: dict[str, Listed] = {}
        self._floor: set[str] = set()
        self._ahead: dict[str, bool] = {}

    def pull(self, chunk: int = CHUNK) -> int:
        """Take in what is new, at most ``chunk`` rows; how many that were. 0: up to date."""
        said = self._reader.outbox_after("pick-tickets", self._said, chunk)
        for position, ticket, body in said:
            self._take(position, ticket, orjson.loads(body))
            self._said = position
        if len(said) == chunk:  # reports are about tickets that were said before them
            return len(said)
        end, reports = self._reader.reports_after(self._reported, chunk)
        for ticket, happened in reports:
            self._report(ticket, happened)
        read = end - self._reported
        self._reported = end
        return len(said) + read

    def _take(self, position: int, ticket: str, body: dict[str, object]) -> None:
        known = ticket in self._listed
        if body["state"] == "void":
            self._drop(ticket)
            return
        if not known:
            ahead = self._ahead.pop(ticket, None)
            gone = ahead if ahead is not None else self._was_packed(ticket, position)
            if gone:
                return
            if ahead is False:
                self._floor.add(ticket)
        self._listed[ticket] = _listed(ticket, position, body, on_floor=ticket in self._floor)

    def _was_packed(self, ticket: str, position: int) -> bool:
        """Whether a ticket that is not in the index was, and left it with its parcel."""
        if not self._reader.said_before("pick-tickets", ticket, position):
            return False
        return any(happened in GONE for one, happened in self._reader.reports_on(ticket) if one == ticket)

    def _report(self, ticket: str, happened: str) -> None:
        known = self._listed.get(ticket)
        if happened in GONE:
            if known is None and len(self._ahead) < MAX_AHEAD:
                self._ahead[ticket] = True
            self._drop(ticket)
        elif happened == "released":
            if known is None:
                if len(self._ahead) < MAX_AHEAD:
                    self._ahead.setdefault(ticket, False)
                return
            self._floor.add(ticket)
            if known.standing != "take_off":
                self._listed[ticket] = known._replace(standing="on_floor")

    def _drop(self, ticket: str) -> None:
        self._listed.pop(ticket, None)
        self._floor.discard(ticket)

    def tickets(self) -> Iterable[Listed]:
        """All that are in it."""
        return self._listed.values()


def _listed(ticket: str, position: int, body: dict[str, object], *, on_floor: bool) -> Listed:
    gifts: dict[str, int] = {}
    for gift in body["gift_lines"]:  # type: ignore[attr-defined]  # as its schema says
        gifts[gift["gift"]] = gifts.get(gift["gift"], 0) + gift["units"]
    standing: Standing = "on_floor" if on_floor else "to_pick"
    if body.get("take_off"):
        standing = "take_off"
    elif body["state"] == "held" and not on_floor:
        standing = "held"
    lines = body["lines"]
    goods = sum(line["units"] - line.get("cancelled_units", 0) for line in lines)  # type: ignore[attr-defined]
    follows = body["state"] == "gift_to_follow"
    return Listed(
        ticket, str(body["order"]), str(body["site"]), standing, follows, goods, tuple(sorted(gifts.items())), position
    )
