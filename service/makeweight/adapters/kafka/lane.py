"""One stage on one partition: its state, kept in a SQLite file that is a cache of the stage's log.

The file holds the state, where the fold stands in the log and where each input stands, all in one transaction. It may
be lost at any time: the log has everything. So it is written without waiting for the disk, and a file that turns out to
be damaged is deleted: the worker that read it ends, and the next gate folds the log.
"""

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from functools import wraps
from pathlib import Path
from typing import Any, Concatenate, ParamSpec, TypeVar

from makeweight.adapters.hosting import Incoming
from makeweight.adapters.kafka.logs import log
from makeweight.adapters.kafka.wire import Record, entry_of
from makeweight.adapters.local.counting import TALLY_TABLE, Counting
from makeweight.adapters.local.store import STATE_TABLE, Damaged, SqliteStore
from makeweight.contracts.codec import Codec
from makeweight.domain.moments import Instant
from makeweight.domain.values import value
from makeweight.stages.port import Message, Output, Space, Stage, Subject, Verdict, View

T = TypeVar("T")
P = ParamSpec("P")

_SCHEMA = f"""
CREATE TABLE meta (name TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE log (position INTEGER PRIMARY KEY, key TEXT NOT NULL, body BLOB NOT NULL);
CREATE INDEX log_key ON log (key, position);
{STATE_TABLE};
{TALLY_TABLE};
"""
SCHEMA_VERSION = "1"
_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


@value
class NewEntry:
    """An entry that a batch decided, before it has a place in the log."""

    key: str
    entry: Any


def _of_its_file(method: Callable[Concatenate["Lane", P], T]) -> Callable[Concatenate["Lane", P], T]:
    """A method that reads or writes the file: if that is damaged, it is deleted, and what was raised goes on."""

    @wraps(method)
    def watched(lane: "Lane", /, *args: P.args, **kwargs: P.kwargs) -> T:
        try:
            return method(lane, *args, **kwargs)
        except sqlite3.DatabaseError as error:
            if isinstance(error, Damaged) or getattr(error, "sqlite_errorcode", 0) & 0xFF in _DAMAGE:
                lane.drop(error)
            raise

    return watched


class Lane:
    """A stage's partition. Not for two threads at once; its host holds a lock."""

    def __init__(self, stage: Stage, partition: int, directory: Path, log_identity: str) -> None:
        self.stage, self.partition = stage, partition
        self._path = directory / f"{stage.name}-{partition}.db"
        self._identity = f"{SCHEMA_VERSION}/{log_identity}"
        # The log is kept beside the state only for a stage whose state is read from it.
        self._keeps_log = any(space.logged for space in stage.spaces)
        self.new: list[NewEntry] = []
        self.voids = 0
        self._open()

    # --- the file --------------------------------------------------------------------------------------------------

    def _open(self) -> None:
        self._path.parent.mkdir(parents=True, exist_ok=True)
        try:
            self._connect()
        except sqlite3.DatabaseError as error:
            self.drop(error)
            self._connect()
        if self._meta("identity") != self._identity:
            self.reset()  # made by another version of the program, or beside another log

    def _connect(self) -> None:
        self._db = sqlite3.connect(self._path, isolation_level=None, check_same_thread=False)
        try:
            self._prepare()
        except sqlite3.DatabaseError:
            self._db.close()  # first: it removes a file by its name, which may be the next one's
            raise
        self._begin_memory()

    def _prepare(self) -> None:
        self._db.execute("PRAGMA journal_mode=WAL")
        self._db.execute("PRAGMA synchronous=OFF")
        self._db.execute("PRAGMA cache_size=-16384")
        told = self._db.execute("PRAGMA quick_check(1)").fetchone()[0]
        if told != "ok":
            raise sqlite3.DatabaseError(told)
        if self._db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'meta'").fetchone() is None:
            for statement in _SCHEMA.split(";"):
                if statement.strip():
                    self._db.execute(statement)
            self._db.execute("INSERT INTO meta VALUES ('identity', ?), ('log', '0')", (self._identity,))

    def _begin_memory(self) -> None:
        self.store = SqliteStore(self._db, self.stage, self._entries)
        self.store.open()
        self.counting = Counting(self._db, self.store) if self._keeps_log else None
        self.log_next = int(self._meta("log") or 0)
        rows = self._db.execute("SELECT name, body FROM meta WHERE name LIKE 'input:%'")
        self.input_next = {name.removeprefix("input:"): int(body) for name, body in rows}
        self._subjects: dict[Subject, None] = {}
        self._changed = False

    def _meta(self, name: str) -> str | None:
        row = self._db.execute("SELECT body FROM meta WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0])

    def reset(self) -> None:
        """Forget the file and start from nothing; the log is folded again."""
        log.warning("%s is no cache of this log; it is made anew", self._path.name)
        self._db.close()
        self._drop_files()
        self._connect()

    def drop(self, error: sqlite3.Error) -> None:
        """Delete a file that can't be used. Its connection, if it is open, goes on with what is in no directory."""
        log.error("%s is damaged (%s); it is deleted, and folded again from the log", self._path.name, error)
        self._drop_files()

    def _drop_files(self) -> None:
        for suffix in ("", "-wal", "-shm"):
            self._path.with_name(self._path.name + suffix).unlink(missing_ok=True)

    def _entries(self, key: str) -> Iterator[Any]:
        rows = self._db.execute("SELECT body FROM log WHERE key = ? ORDER BY position", (key,))
        for (body,) in rows:
            yield entry_of(self.stage.name, body)

    # --- a transaction ---------------------------------------------------------------------------------------------

    def begin(self) -> None:
        """Open a transaction. One that a batch left open when it was given up is rolled back first."""
        self.undo_open()
        self._db.execute("BEGIN")
        self.new = []
        self._subjects = {}
        self._changed = False

    @_of_its_file
    def decide(self, one: Incoming, view: View) -> Verdict:
        """Decide an input and fold its entries into the open transaction."""
        verdict = self.stage.decide(self.store, Message(one.body, one.digest), view)
        for entry in verdict.entries:
            key = self.stage.key_of(entry)
            self.new.append(NewEntry(key, entry))
            self._fold(key, entry)
        self._subjects |= dict.fromkeys(verdict.subjects)
        return verdict

    def _fold(self, key: str, entry: Any) -> None:
        self._changed = True
        if self.counting is not None:
            self.counting.touch(key)
        for subject in self.stage.fold(self.store, entry):
            if subject[0] == "void":
                self.voids += 1
            else:
                self._subjects[subject] = None

    def place(self, bodies: Iterable[tuple[str, bytes]]) -> None:
        """The new entries stand in the log, one after the other from where the fold stood."""
        rows = [(self.log_next + n, key, body) for n, (key, body) in enumerate(bodies)]
        self._keep(rows)
        self.log_next += len(rows)

    def _keep(self, rows: list[tuple[int, str, bytes]]) -> None:
        if self._keeps_log and rows:
            self._db.executemany("INSERT INTO log VALUES (?, ?, ?)", rows)

    @_of_its_file
    def take(self, records: Iterable[Record]) -> int:
        """Fold records of the log into the open transaction; what they change is said with the rest."""
        rows: list[tuple[int, str, bytes]] = []
        for record in records:
            key, body = (record.key or b"").decode(), record.value or b""
            self._fold(key, entry_of(self.stage.name, body))
            rows.append((record.offset, key, body))
            self.log_next = record.offset + 1
        self._keep(rows)
        return len(rows)

    def refold(self) -> None:
        """Another writer was first: roll back and wait for the log. What was to be said is said from what it gives."""
        self.undo()
        self._db.execute("BEGIN")

    def undo(self) -> None:
        """Roll back."""
        self._db.execute("ROLLBACK")
        self.store.forget()
        if self.counting is not None:
            self.counting.forget()
        self.log_next = int(self._meta("log") or 0)
        self.new = []

    def undo_open(self) -> None:
        """Roll back, if there is anything to."""
        if self._db.in_transaction:
            self.undo()

    @_of_its_file
    def say(self) -> list[Output]:
        """The current level of everything that the transaction touched; what the other stage waits for comes first."""
        said: dict[tuple[str, str], Output] = {}
        for subject in sorted(self._subjects, key=lambda s: s[0] not in self.stage.urgent):
            for output in self.stage.say(self.store, subject):
                said[output.channel, output.id] = output
        return list(said.values())

    @_of_its_file
    def commit(self, inputs: dict[str, int]) -> None:
        """Commit the state with where the log and the inputs stand."""
        self.input_next |= inputs
        if not self._changed:
            # Nothing happened, as on most ticks: where the inputs stand is known well enough from the last time.
            self._db.execute("ROLLBACK")
            return
        if self.counting is not None:
            self.counting.flush()
        self.store.flush()
        rows = [("log", str(self.log_next)), *((f"input:{topic}", str(at)) for topic, at in inputs.items())]
        self._db.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", rows)
        self._db.execute("COMMIT")
        self._subjects = {}

    def committed(self, space: Space[T]) -> list[T]:
        """All values of a space, as of the last commit."""
        codec: Codec[T] = Codec(space.kind)
        name = f"{self.stage.name}.{space.name}"
        rows = self._db.execute("SELECT body FROM state WHERE space = ? ORDER BY key", (name,))
        return [codec.loads(body) for (body,) in rows]

    @property
    def answered(self) -> list[Instant]:
        """Of the last commit: when the orders were placed whose tickets now wait for nothing more."""
        return self.counting.answered if self.counting is not None and self._changed else []

    def close(self) -> None:
        """Roll back what is open and let go of the file."""
        if self._db.in_transaction:
            self._db.execute("ROLLBACK")
        self._db.close()
