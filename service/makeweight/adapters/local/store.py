"""A stage's state in SQLite, with what a transaction has touched and what was used lately in memory.

Values change only by ``put``; they reach the database when the host flushes, in the transaction of everything else.
A rollback forgets all that was put since the last flush and everything cached, so that memory never runs ahead.
"""

import sqlite3
from collections.abc import Callable, Iterator
from datetime import UTC
from typing import Any, TypeVar, cast

from makeweight.adapters.local.memory import MemoryStore
from makeweight.contracts.codec import Codec, dumps
from makeweight.contracts.problems import WireError
from makeweight.domain.moments import Instant
from makeweight.stages.port import Space, Stage

T = TypeVar("T")
MAX_CACHED = 50_000  # values of a stage kept in memory between transactions; the oldest half goes when it is full
_GONE = object()

# a cache of the logs: values of a stage by space and key
STATE_TABLE = """CREATE TABLE state (space TEXT NOT NULL, key TEXT NOT NULL, due TEXT, body BLOB,
    PRIMARY KEY (space, key)) WITHOUT ROWID;
CREATE INDEX state_due ON state (space, due) WHERE due IS NOT NULL"""


class Damaged(sqlite3.DatabaseError):
    """What the program itself wrote can't be read: no fault of the input that it is needed for."""


LogReader = Callable[[str], Iterator[Any]]  # the entries of a key, in order


def due_text(at: Instant) -> str:
    """An instant as text that sorts by time."""
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


class SqliteStore:
    """The state of one stage, of which ``cached`` values are kept in memory between transactions."""

    def __init__(
        self, connection: sqlite3.Connection, stage: Stage, read_log: LogReader, cached: int = MAX_CACHED
    ) -> None:
        self._db, self._stage, self._read_log, self._cached = connection, stage, read_log, cached
        self._codecs: dict[str, Codec[Any]] = {space.name: Codec(space.kind) for space in stage.spaces}
        self._logged = {space.name for space in stage.spaces if space.logged}
        self._names = {space.name: f"{stage.name}.{space.name}" for space in stage.spaces}
        self._cache: dict[tuple[str, str], Any] = {}
        self._dirty: dict[tuple[str, str], Instant | None] = {}
        self._due_known: dict[tuple[str, str], Instant | None] = {}

    def get(self, space: Space[T], key: str) -> T | None:
        """The value at a key: of this transaction, of the cache, or from the database."""
        at = (space.name, key)
        kept = self._cache.get(at)
        if kept is None:
            try:
                kept = self._load(space, key)
            except WireError as error:
                raise Damaged(f"a value of {self._names[space.name]}: {error.sentence}") from error
            if len(self._cache) >= self._cached:
                self._shrink()
            self._cache[at] = kept
        return None if kept is _GONE else cast("T", kept)

    def _load(self, space: Space[T], key: str) -> Any:
        if space.logged:
            scratch = MemoryStore()
            for entry in self._read_log(key):
                self._stage.fold(scratch, entry)
            folded = scratch.get(space, key)
            return _GONE if folded is None else folded
        row = self._db.execute(
            "SELECT body FROM state WHERE space = ? AND key = ?", (self._names[space.name], key)
        ).fetchone()
        return _GONE if row is None else self._codecs[space.name].loads(row[0])

    def put(self, space: Space[T], key: str, kept: T, due: Instant | None = None) -> None:
        """Set the value at a key."""
        at = (space.name, key)
        self._cache[at] = kept
        self._dirty[at] = due

    def drop(self, space: Space[T], key: str) -> None:
        """Forget a key."""
        at = (space.name, key)
        self._cache[at] = _GONE
        self._dirty[at] = None

    def scan(self, space: Space[T], prefix: str) -> Iterator[tuple[str, T]]:
        """Keys of the database and of this transaction, in order."""
        name = self._names[space.name]
        end = prefix[:-1] + chr(ord(prefix[-1]) + 1)
        rows = self._db.execute("SELECT key FROM state WHERE space = ? AND key >= ? AND key < ?", (name, prefix, end))
        keys = {row[0] for row in rows}
        keys |= {key for (owner, key) in self._dirty if owner == space.name and key.startswith(prefix)}
        for key in sorted(keys):
            kept = self.get(space, key)
            if kept is not None:
                yield key, kept

    def due(self, space: Space[T], until: Instant, limit: int) -> list[str]:
        """Keys due at or before the instant, as of the last flush."""
        rows = self._db.execute(
            "SELECT key FROM state WHERE space = ? AND due <= ? ORDER BY due, key LIMIT ?",
            (self._names[space.name], due_text(until), limit),
        )
        return [row[0] for row in rows]

    def flush(self) -> None:
        """Write what was put, inside the host's transaction."""
        gone: list[tuple[str, str]] = []
        rows: list[tuple[str, str, str | None, bytes | None]] = []
        for (space, key), due in self._dirty.items():
            kept = self._cache[space, key]
            if space in self._logged:
                # The log has the value; only a due time needs a row.
                if due is not None:
                    rows.append((self._names[space], key, due_text(due), None))
                elif self._due_known.pop((space, key), None) is not None:
                    gone.append((self._names[space], key))
                if due is not None:
                    self._due_known[space, key] = due
            elif kept is _GONE:
                gone.append((self._names[space], key))
            else:
                rows.append((self._names[space], key, due_text(due) if due else None, dumps(kept)))
        if rows:
            self._db.executemany("INSERT OR REPLACE INTO state VALUES (?, ?, ?, ?)", rows)
        if gone:
            self._db.executemany("DELETE FROM state WHERE space = ? AND key = ?", gone)
        self._dirty.clear()

    def forget(self) -> None:
        """After a rollback: nothing in memory may be ahead of the database."""
        self._cache.clear()
        self._dirty.clear()
        self._load_due()

    def open(self) -> None:
        """Read which keys have a due time."""
        self._load_due()

    def _load_due(self) -> None:
        self._due_known = {}
        for name in self._logged:
            rows = self._db.execute("SELECT key FROM state WHERE space = ?", (self._names[name],))
            self._due_known |= dict.fromkeys(((name, row[0]) for row in rows), Instant.max)

    def _shrink(self) -> None:
        for at in [at for at in self._cache if at not in self._dirty][: self._cached // 2]:
            del self._cache[at]
