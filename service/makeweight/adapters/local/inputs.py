"""What both stages took in, told from their two logs in one order, for a rehearsal.

Each log has its order and neither knows the other's. An order's claim was settled after the order was judged, so stock
that came before that settlement, and after the one before it, came in between.
"""

import re
import sqlite3
from collections.abc import Iterable, Iterator
from typing import Any, Literal, NamedTuple

from makeweight.adapters.local.rehearsing import Rehearsal
from makeweight.contracts.codec import Codec, parse_object
from makeweight.contracts.messages import LEDGER_ENTRY
from makeweight.domain.claims import Redress
from makeweight.domain.entries import Booked, Handled, Judged, Received, Redressed, Reported
from makeweight.domain.moments import Instant
from makeweight.domain.orders import HappenedKind, Order
from makeweight.domain.values import value

Cause = tuple[str, str]  # an order and the number of its claims: revision.step
_KIND = re.compile(rb'"kind":"([a-z_]+)"\}$')  # entries are written with their kind last
_STOCK = (Received, Handled, Booked)


@value
class Snapshot:
    """Of an entry of the desk, the order that was judged: a rehearsal judges it itself."""

    order: Order
    at: Instant
    kind: Literal["judged"] = "judged"


@value
class _Fact:
    happened: HappenedKind
    at: Instant


@value
class Release:
    """Of an entry of the desk, the warehouse's fact."""

    order: str
    fact: _Fact
    kind: Literal["reported"] = "reported"


@value
class _Claimed:
    revision: int
    step: int


@value
class Owed:
    """Of an entry of the desk, the correction by which an order was judged anew."""

    redress: Redress
    claims: list[_Claimed]
    at: Instant
    kind: Literal["redressed"] = "redressed"


_DESK: dict[str, Codec[Any]] = {"judged": Codec(Snapshot), "reported": Codec(Release), "redressed": Codec(Owed)}
Taken = Snapshot | Judged | Release | Reported | Owed | Redressed


class Deskwork(NamedTuple):
    """An entry of the desk that a rehearsal takes in, and what of the ledger's log follows from it."""

    cause: Cause
    entry: Taken


class Ledgerwork(NamedTuple):
    """An entry of the ledger's log: stock to take in, or where an order's claim was settled."""

    cause: Cause | None
    entry: Any = None


def take(rehearsal: Rehearsal, desk: Iterable[Deskwork], ledger: Iterable[Ledgerwork]) -> None:
    """Let a rehearsal take in entries of both logs, each in its order."""
    waiting = list(desk)
    place = {one.cause: i for i, one in enumerate(waiting)}
    done = 0
    for row in ledger:
        upto = place.get(row.cause, -1) if row.cause is not None else -1
        for one in waiting[done : upto + 1]:
            _take_desk(rehearsal, one.entry)
        done = max(done, upto + 1)
        if isinstance(row.entry, Received):
            rehearsal.take_stock(row.entry.receipt, row.entry.at)
        elif isinstance(row.entry, Handled | Booked):
            rehearsal.take_stock(row.entry.command, row.entry.at)
    for one in waiting[done:]:
        _take_desk(rehearsal, one.entry)


def _take_desk(rehearsal: Rehearsal, entry: Taken) -> None:
    if isinstance(entry, Snapshot | Judged):
        rehearsal.take_order(entry.order, entry.at)
    elif isinstance(entry, Owed | Redressed):
        rehearsal.take_redress(entry.redress, entry.at)
    elif entry.fact.happened == "released":
        rehearsal.released(entry.order, entry.fact.at)


def of_entries(desk: Iterable[Any], ledger: Iterable[Any]) -> tuple[Iterator[Deskwork], Iterator[Ledgerwork]]:
    """The same of entries that were read whole; those of several partitions are to be sorted by their instants."""
    taken = (Deskwork(_number(e), e) for e in desk if isinstance(e, Judged | Reported | Redressed))
    rows = (Ledgerwork(None, e) if isinstance(e, _STOCK) else Ledgerwork(_cause(e.id)) for e in ledger)
    return taken, rows


def _number(entry: Taken) -> Cause:
    """The order, and the number of the claims that follow from an entry; none where none do."""
    if isinstance(entry, Snapshot | Judged):
        return entry.order.order, f"{entry.order.revision}.0"
    if isinstance(entry, Owed | Redressed) and entry.claims:
        return entry.redress.order, f"{entry.claims[0].revision}.{entry.claims[0].step}"
    return "", ""


def _cause(name: str) -> Cause | None:
    """The order and number of a settled claim, told by the id of its entry."""
    parts = name.rsplit("/", 3)
    return (parts[0], parts[3].partition(":")[0]) if len(parts) == 4 else None  # noqa: PLR2004 - the parts of the id


class Logs:
    """The two logs of an embedded service's database, read on from where they were left.

    In a copy of topics each partition has its own order, and one may have been copied long before another: there
    entries are put in the order of their instants.
    """

    def __init__(self, connection: sqlite3.Connection, *, copied: bool = False) -> None:
        self._db = connection
        self._order = "json_extract(CAST(body AS TEXT), '$.at'), position" if copied else "position"
        self._after = {"desk": 0, "ledger": 0}

    def read_on(self, rehearsal: Rehearsal) -> None:
        """Let a rehearsal take in what has been logged since the last call."""
        self._db.execute("BEGIN")  # both logs as of the same commit
        try:
            desk, ledger = self._rows("desk"), self._rows("ledger")
        finally:
            self._db.execute("COMMIT")
        take(rehearsal, self._desk(desk), self._ledger(ledger))
        for stage, rows in (("desk", desk), ("ledger", ledger)):
            if rows:
                self._after[stage] = max(position for position, _, _ in rows)

    def _rows(self, stage: str) -> list[Any]:
        query = f"SELECT position, id, body FROM {stage}_log WHERE position > ? ORDER BY {self._order}"  # noqa: S608
        return self._db.execute(query, (self._after[stage],)).fetchall()

    def _desk(self, rows: list[Any]) -> Iterator[Deskwork]:
        for _, _, body in rows:
            codec = _DESK.get(_kind(body))
            if codec is not None:
                entry = codec.loads(body)
                yield Deskwork(_number(entry), entry)

    def _ledger(self, rows: list[Any]) -> Iterator[Ledgerwork]:
        for _, name, body in rows:
            if _kind(body) in ("received", "handled", "booked"):
                yield Ledgerwork(None, LEDGER_ENTRY.loads(body))
            else:
                yield Ledgerwork(_cause(name))


def _kind(body: bytes) -> str:
    found = _KIND.search(body[-40:])
    return found[1].decode() if found else str(parse_object(body)["kind"])
