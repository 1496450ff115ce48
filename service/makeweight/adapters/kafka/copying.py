"""The database of a mirror: what the topics say, in the tables of an embedded service, with how far it was read.

One transaction holds the records of a batch, what follows from them and the position of every partition after them. So
a mirror that was killed goes on exactly where its last commit was. Every table can be read from the topics again, so
a commit doesn't wait for the disk: one that a failing machine loses takes its positions with it.
"""

import base64
import logging
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from confluent_kafka import Message

from makeweight.adapters.kafka.administration import KafkaProblem
from makeweight.adapters.kafka.logs import LogGone
from makeweight.adapters.kafka.wire import LOGS, Names
from makeweight.adapters.local.counting import Counting
from makeweight.adapters.local.database import DatabaseError, claim_directory, connect
from makeweight.adapters.local.store import SqliteStore, due_text
from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.messages import ENTRIES, REJECT
from makeweight.contracts.problems import WireError
from makeweight.domain.entries import Judged, Settled
from makeweight.domain.moments import Instant
from makeweight.domain.values import InvariantViolation
from makeweight.stages.desk import Desk
from makeweight.stages.ledger import Ledger
from makeweight.stages.port import Subject

CHANNELS = ("campaigns", *LOGS.values(), "pick-tickets", "notices", "rejects")
PREFIX, CLUSTER, GENERATION = "mirror:prefix", "mirror:cluster", "mirror:generation"
TOPIC, NEXT, CUT, WATERMARK = "mirror:topic/", "mirror:next/", "mirror:cut/", "mirror:watermark/"
KEPT = ("desk_log", "ledger_log", "outbox", "campaigns", "rejects", "state", "tally", "mirror_rejects")
# A reject is said again when its batch comes again, and those of campaigns at every start of a worker.
REJECTS_TABLE = "CREATE TABLE IF NOT EXISTS mirror_rejects (id TEXT PRIMARY KEY) WITHOUT ROWID"
CACHED = 10_000  # values of a stage in memory: a board shares its process, and what it misses it reads again

Place = tuple[str, int]  # a channel and a partition
log = logging.getLogger("makeweight.kafka")


class Copy:
    """The tables and the positions. One thread at a time; ``Reader`` reads beside it."""

    def __init__(self, directory: Path, names: Names) -> None:
        """Open the directory or begin it. ``KafkaProblem`` if it is anything but a copy of this prefix's topics."""
        self._directory = directory
        try:
            self._claim = claim_directory(directory)
        except DatabaseError:
            text = f"something else runs on {directory}: another board, or a service; name a directory of its own"
            raise KafkaProblem(text) from None
        self._db = connect(directory, mirror=True)
        self._db.execute("PRAGMA synchronous=NORMAL")
        self._names = names
        self._takers: dict[str, Callable[[Message], None]] = {
            "campaigns": self._take_campaign,
            LOGS["desk"]: self._take_desk,
            LOGS["ledger"]: self._take_ledger,
            "pick-tickets": self._take_said,
            "notices": self._take_said,
            "rejects": self._take_reject,
        }
        try:
            self._own(names.prefix)
        except BaseException:
            self.close()
            raise
        self._remember()

    def _own(self, prefix: str) -> None:
        known = self._meta(PREFIX)
        if known is None:
            used = "SELECT EXISTS (SELECT 1 FROM inbox) OR EXISTS (SELECT 1 FROM campaigns)"
            if self._db.execute(used).fetchone()[0]:
                raise KafkaProblem(f"{self._directory} holds a service's own state; name another directory")
            self._db.execute(REJECTS_TABLE)
            self._set({PREFIX: prefix, GENERATION: "1"})
        elif known != prefix:
            raise self._foreign(f"the topics under prefix {known!r}, not {prefix!r}")

    def _foreign(self, what: str) -> KafkaProblem:
        return KafkaProblem(f"{self._directory} holds a copy of {what}; name another directory, or remove this one")

    def _remember(self) -> None:
        """What is kept in memory, as the database has it."""
        self._desk, self._ledger = Desk(), Ledger()
        self._desk_store = SqliteStore(self._db, self._desk, self._entries, CACHED)
        self._ledger_store = SqliteStore(self._db, self._ledger, lambda _: iter(()), CACHED)
        for store in (self._desk_store, self._ledger_store):
            store.open()
        self._counting = Counting(self._db, self._desk_store)
        self.next: dict[Place, int] = {_place(name): int(body) for name, body in self._metas(NEXT)}
        self._cut = {_place(name) for name, _ in self._metas(CUT)}
        self._newest = {int(name): Instant.fromisoformat(body) for name, body in self._metas(WATERMARK)}
        self._begin_batch()

    def _begin_batch(self) -> None:
        self._logs: dict[str, list[tuple[str, str, bytes]]] = {"desk": [], "ledger": []}
        self._said: list[tuple[str, str, str, bytes]] = []
        self._moved: dict[Place, int] = {}
        self._notes: dict[str, str] = {}

    def _entries(self, order: str) -> Iterator[Any]:
        rows = self._db.execute("SELECT body FROM desk_log WHERE key = ? ORDER BY position", (order,))
        return (ENTRIES["desk"].loads(body) for (body,) in rows)

    # --- what it is a copy of ------------------------------------------------------------------------------------

    def check_cluster(self, cluster: str) -> None:
        """``KafkaProblem`` if what was read is another cluster's."""
        known = self._meta(CLUSTER)
        if known is None:
            self._set({CLUSTER: cluster})
        elif known != cluster:
            raise self._foreign(f"the topics of cluster {known}, not {cluster}")

    def check_topics(self, topics: Mapping[str, str]) -> None:
        """``LogGone`` if a topic was made anew since; by channel, what tells a topic from a later one of its name."""
        before = dict(self._metas(TOPIC))
        anew = sorted(channel for channel, kept in before.items() if topics.get(channel) != kept)
        if anew:
            raise LogGone(f"made anew since they were read: {', '.join(anew)}")
        if before != topics:
            self._set({TOPIC + channel: kept for channel, kept in topics.items()})

    def start_anew(self) -> None:
        """Forget everything that was read, in one transaction; readers see all of it or nothing."""
        self._db.execute("BEGIN IMMEDIATE")
        for table in KEPT:
            self._db.execute(f"DELETE FROM {table}")  # noqa: S608 - our own names
        for prefix in (TOPIC, NEXT, CUT, WATERMARK):
            self._db.execute("DELETE FROM meta WHERE name GLOB ?", (prefix + "*",))
        self._set({GENERATION: str(int(self._meta(GENERATION) or 0) + 1)})
        self._db.execute("COMMIT")
        self._remember()

    def _meta(self, name: str) -> str | None:
        row = self._db.execute("SELECT body FROM meta WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0])

    def _metas(self, prefix: str) -> list[tuple[str, str]]:
        rows = self._db.execute("SELECT name, body FROM meta WHERE name GLOB ?", (prefix + "*",))
        return [(str(name).removeprefix(prefix), str(body)) for name, body in rows]

    def _set(self, kept: Mapping[str, str]) -> None:
        self._db.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", kept.items())

    # --- a batch -------------------------------------------------------------------------------------------------

    def take(self, messages: Iterable[Message]) -> None:
        """Take records in, each partition's in its order; when this returns, all of them are committed."""
        self._db.execute("BEGIN IMMEDIATE")
        try:
            for message in messages:
                self._take(message)
            self._finish()
            self._db.execute("COMMIT")
        except BaseException:
            self._db.execute("ROLLBACK")
            self._remember()
            raise
        self.next |= self._moved
        self._begin_batch()

    def _take(self, message: Message) -> None:
        channel = self._names.channel(message.topic() or "")
        place, offset = (channel, message.partition() or 0), message.offset() or 0
        known = self._moved.get(place, self.next.get(place))
        if known is None and offset:
            self._note_cut(place, offset)
        elif known is not None and offset < known:
            return  # read already
        if message.value() is not None:
            self._takers[channel](message)
        self._moved[place] = offset + 1

    def reached(self, place: Place, end: int) -> None:
        """A partition is read to its end. Where its last records were compacted away none of them says so."""
        if place not in self.next and end:
            self._note_cut(place, end)
        self.next[place] = max(end, self.next.get(place, 0))

    def _note_cut(self, place: Place, offset: int) -> None:
        """A log without its beginning: figures count from there on, and what leans on what is gone is left out."""
        if place[0] in LOGS.values():
            log.error("%s [%d] has lost its beginning: the board counts from position %d on", *place, offset)
            self._cut.add(place)
            self._notes[f"{CUT}{place[0]}/{place[1]}"] = ""

    def _take_desk(self, message: Message) -> None:
        body, entry = self._entry("desk", message)
        order, partition = self._desk.key_of(entry), message.partition() or 0
        self._counting.touch(order)
        if self._folded(self._desk, self._desk_store, entry, message) is not None:
            self._logs["desk"].append((order, entry.id, body))
            if isinstance(entry, Judged):
                at = max(entry.order.placed_at, entry.order.revised_at)
                if partition not in self._newest or at > self._newest[partition]:
                    self._newest[partition] = at
                    self._notes[f"{WATERMARK}{partition}"] = at.isoformat()

    def _take_ledger(self, message: Message) -> None:
        body, entry = self._entry("ledger", message)
        said = self._folded(self._ledger, self._ledger_store, entry, message)
        if said is not None and not (isinstance(entry, Settled) and _came_to_nothing(said)):
            self._logs["ledger"].append((self._ledger.key_of(entry), entry.id, body))

    def _entry(self, stage: Any, message: Message) -> tuple[bytes, Any]:
        body = bytes(message.value() or b"")
        try:
            return body, ENTRIES[stage].loads(body)
        except WireError as error:
            at = f"{message.topic()} [{message.partition()}] position {message.offset()}"
            text = f"{at} can't be read: {error.sentence}; run a board of the same version as the workers"
            raise KafkaProblem(text) from None

    def _folded(self, stage: Any, store: SqliteStore, entry: Any, message: Message) -> list[Subject] | None:
        """Fold an entry; None for one that is to be left out, since what it leans on was cut from its log."""
        try:
            subjects: list[Subject] = stage.fold(store, entry)
        except InvariantViolation:
            if (LOGS[stage.name], message.partition() or 0) not in self._cut:
                raise
            return None
        return subjects

    def _take_said(self, message: Message) -> None:
        told = _headers(message)
        id_, route = (told.get(name, b"").decode(errors="replace") for name in ("ce_id", "ce_subject"))
        self._said.append((self._names.channel(message.topic() or ""), id_, route, bytes(message.value() or b"")))

    def _take_campaign(self, message: Message) -> None:
        body = bytes(message.value() or b"")
        try:
            campaign = read_campaign(body)
        except WireError:
            return  # the workers put it aside
        at = campaign.effective_at.astimezone(UTC).isoformat()
        row = (campaign.campaign, campaign.revision, _time(message), at, body)
        self._db.execute("INSERT OR IGNORE INTO campaigns VALUES (?, ?, ?, ?, ?)", row)  # the first with a name counts

    def _take_reject(self, message: Message) -> None:
        try:
            one = REJECT.loads(bytes(message.value() or b""))
            raw = base64.b64decode(one.body)
        except (WireError, ValueError) as error:
            log.warning("a record of %s can't be read and is left out: %s", message.topic(), error)
            return
        id_ = f"{one.topic}/{one.partition}/{one.position}"
        if self._db.execute("INSERT OR IGNORE INTO mirror_rejects VALUES (?)", (id_,)).rowcount:
            channel = self._names.called(one.topic)
            self._db.execute(
                "INSERT INTO rejects (topic, key, code, sentence, received_at, body) VALUES (?, ?, ?, ?, ?, ?)",
                (channel, one.key, one.code, one.sentence, _time(message), raw),
            )

    def _finish(self) -> None:
        for stage, rows in self._logs.items():
            self._db.executemany(f"INSERT INTO {stage}_log (key, id, body) VALUES (?, ?, ?)", rows)  # noqa: S608
        self._db.executemany("INSERT INTO outbox (channel, id, route, body) VALUES (?, ?, ?, ?)", self._said)
        self._counting.flush()
        for store in (self._desk_store, self._ledger_store):
            store.flush()
        positions = {f"{NEXT}{channel}/{partition}": str(at) for (channel, partition), at in self._moved.items()}
        self._set(positions | self._notes)

    def close(self) -> None:
        """Let go of the database and of the directory."""
        self._db.close()
        self._claim.close()


def _came_to_nothing(said: list[Subject]) -> bool:
    """Whether a late writer's settling is void, or not the first of its number: whoever reads on must not count it."""
    kinds = {subject[0] for subject in said}
    return "void" in kinds or "level" not in kinds


def _place(name: str) -> Place:
    channel, _, partition = name.rpartition("/")
    return channel, int(partition)


def _headers(message: Message) -> dict[str, bytes]:
    given = message.headers() or ()
    pairs = given.items() if isinstance(given, dict) else given
    return {name: text.encode() if isinstance(text, str) else text or b"" for name, text in pairs}


def _time(message: Message) -> str:
    """When the broker or the writer says the record was made."""
    _, at_ms = message.timestamp()
    return due_text(datetime.fromtimestamp(max(0, at_ms) / 1_000, UTC))
