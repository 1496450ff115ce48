"""The embedded host: takes events in, walks them through both stages, and commits everything or nothing.

One batch, one transaction:

1. begin; rows that another process put into the inbox (`publish`) come first;
2. the batch's events go into the inbox as they came;
3. each is walked through both stages; entries go to the logs, refused inputs with their bytes to the rejects;
4. what is to be said goes to the outbox, changed state and totals to their tables;
5. commit, synchronous=FULL; only then is anyone told that an event was accepted.

| fails at | then |
|---|---|
| 1 - 4, the process dies | nothing of the batch exists; senders were not told, and send again |
| 1 - 4, an error | the transaction is rolled back, memory forgets it; the batch is tried one by one |
| 5, before the disk has it | as above |
| after 5, before senders are told | they send again; every event is a repeat and changes nothing |
"""

import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from makeweight.adapters.hosting import DEFECTS, Clock, Incoming, Watcher, defect_code, defect_sentence
from makeweight.adapters.local.counting import Counting
from makeweight.adapters.local.engine import Engine
from makeweight.adapters.local.store import SqliteStore, due_text
from makeweight.contracts.codec import dumps
from makeweight.contracts.commands import read_command
from makeweight.contracts.messages import DECISION, ENTRIES
from makeweight.domain.book import Book
from makeweight.domain.campaigns import Campaign
from makeweight.domain.moments import Instant
from makeweight.domain.values import InvariantViolation, replaced, value
from makeweight.insight.tally import Tally
from makeweight.stages.desk import Desk
from makeweight.stages.ledger import Ledger
from makeweight.stages.port import Message, Output, Stage, Verdict


@value
class Receipt:
    """What became of an event that was taken in, after the commit."""

    result: str
    code: str = ""
    sentence: str = ""


class Host:
    """Both stages on one SQLite connection. One thread at a time: a lock guards it."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        clock: Clock,
        load_campaign: Callable[[bytes], Campaign],
        *,
        routed: bool = True,
    ) -> None:
        self._db, self._clock, self._load_campaign = connection, clock, load_campaign
        self._lock = threading.Lock()
        desk, ledger = Desk(), Ledger()
        self._stores = {
            "desk": SqliteStore(connection, desk, lambda key: self._entries("desk", key)),
            "ledger": SqliteStore(connection, ledger, lambda key: self._entries("ledger", key)),
        }
        for store in self._stores.values():
            store.open()
        self._engine = Engine((desk, self._stores["desk"]), (ledger, self._stores["ledger"]), self, routed=routed)
        self.watcher = Watcher()
        self._counting = Counting(connection, self._stores["desk"])
        self._logs: dict[str, list[tuple[str, str, bytes]]] = {"desk": [], "ledger": []}
        self._campaign_version = -1
        self.refresh_campaigns()

    @property
    def tally(self) -> Tally:
        """The totals over all orders."""
        return self._counting.tally

    @property
    def book(self) -> Book:
        """The campaigns in the database."""
        return self._engine.book

    def _entries(self, stage: str, key: str) -> Iterator[Any]:
        codec = ENTRIES["desk" if stage == "desk" else "ledger"]
        rows = self._db.execute(f"SELECT body FROM {stage}_log WHERE key = ? ORDER BY position", (key,))  # noqa: S608
        # Entries of the open transaction need no look: the store keeps what it has touched until the next flush.
        for (body,) in rows:
            yield codec.loads(body)

    # --- what the engine reports ---------------------------------------------------------------------------------

    def entry(self, stage: Stage, entry: Any) -> None:
        """Put the entry on its log, and remember how its order stood."""
        key = stage.key_of(entry)
        if stage.name == "desk":
            self._counting.touch(key)
        self._logs[stage.name].append((key, entry.id, dumps(entry)))
        self.watcher.entry(stage.name, entry)

    def result(self, stage: Stage, message: Message, verdict: Verdict) -> None:
        """A message ended in a result; what was refused inside is a defect worth seeing, so it is rejected too."""
        self.watcher.result(stage.name, message, verdict)

    # --- taking in -----------------------------------------------------------------------------------------------

    def take(self, incoming: list[Incoming]) -> list[Receipt]:
        """Take in a batch; when this returns, all of it is on the disk. Raises only if the database does."""
        with self._lock:
            try:
                return self._take(incoming)
            except DEFECTS as error:
                self._undo(error)
                if len(incoming) == 1:
                    return [self._take_as_reject(incoming[0], error)]
            except BaseException as error:
                self._undo(error)
                raise
        return [self.take([one])[0] for one in incoming]  # find the one that can't be worked on

    def _undo(self, error: BaseException) -> None:
        if self._db.in_transaction:
            self._db.execute("ROLLBACK")
        if isinstance(error, InvariantViolation):
            self.watcher.violation(error.code)
        for store in self._stores.values():
            store.forget()
        self._engine.outputs_dropped()
        self.watcher.dropped()
        for log in self._logs.values():
            log.clear()
        self._counting.forget()

    def _take(self, incoming: list[Incoming]) -> list[Receipt]:
        self.watcher.started()
        now = self._clock()
        self._begin(now)
        receipts = [self._take_one(one, now) for one in incoming]
        self._insert_inbox(incoming, now)
        outputs = self._finish()
        self._db.execute("COMMIT")
        self.watcher.committed(incoming, outputs, now, self._counting.answered)
        return receipts

    def _begin(self, now: Instant) -> None:
        """Begin a transaction in which nothing of another process waits before what we are about to add."""
        while True:
            self._db.execute("BEGIN IMMEDIATE")
            self.refresh_campaigns()
            pending = self._db.execute(
                "SELECT position, topic, key, source, id, body FROM inbox WHERE position > "
                "(SELECT CAST(body AS INTEGER) FROM meta WHERE name = 'handled') ORDER BY position LIMIT 1"
            ).fetchone()
            if pending is None:
                return
            self._take_pending(pending[0], Incoming(*pending[1:]), now)

    def _take_pending(self, position: int, one: Incoming, now: Instant) -> None:
        """Work on one input that another process (`publish`) has put into the inbox; one that fails is put aside."""
        try:
            body = DECISION.loads(one.raw) if one.topic == "decisions" else read_command(one.raw)
            self._take_one(replaced(one, body=body), now)
            outputs = self._finish()
        except DEFECTS as error:
            self._undo(error)
            self._db.execute("BEGIN IMMEDIATE")
            self._reject(one, defect_code(error), defect_sentence(error), now)
            outputs = []
        self._db.execute("UPDATE meta SET body = ? WHERE name = 'handled'", (str(position),))
        self._db.execute("COMMIT")
        self.watcher.committed([one], outputs, now, self._counting.answered)

    def _take_one(self, one: Incoming, now: Instant) -> Receipt:
        if one.error is not None:
            self._reject(one, one.error.code, one.error.sentence, now)
            return Receipt("rejected", one.error.code, one.error.sentence)
        stage = "ledger" if one.topic == "ledger-commands" else "desk"
        verdict = self._engine.handle(stage, Message(one.body, one.digest), now)
        problem = verdict.problem
        if problem is not None:
            self._reject(one, problem.code, problem.sentence, now)
            return Receipt(verdict.result, problem.code, problem.sentence)
        return Receipt(verdict.result)

    def _take_as_reject(self, one: Incoming, error: BaseException) -> Receipt:
        """An event that no code path can take is kept, with its bytes, and its neighbours are served."""
        code, text = defect_code(error), defect_sentence(error)
        now = self._clock()
        self._db.execute("BEGIN IMMEDIATE")
        self._reject(one, code, text, now)
        self._db.execute("COMMIT")
        self.watcher.committed([one], [], now, [])
        return Receipt("rejected", code, text)

    def _reject(self, one: Incoming, code: str, sentence: str, now: Instant) -> None:
        self._db.execute(
            "INSERT INTO rejects (topic, key, code, sentence, received_at, body) VALUES (?, ?, ?, ?, ?, ?)",
            (one.topic, one.key, code, sentence, due_text(now), one.raw),
        )
        self.watcher.reject(one.topic, code)

    def _insert_inbox(self, incoming: Iterable[Incoming], now: Instant) -> None:
        at = due_text(now)
        self._db.executemany(
            "INSERT INTO inbox (topic, key, source, id, received_at, body) VALUES (?, ?, ?, ?, ?, ?)",
            [(one.topic, one.key, one.source, one.id, at, one.raw) for one in incoming],
        )
        self._db.execute("UPDATE meta SET body = (SELECT coalesce(max(position), 0) FROM inbox) WHERE name = 'handled'")

    def _finish(self) -> list[Output]:
        """Everything that the engine left, into its tables."""
        for stage, rows in self._logs.items():
            if rows:
                self._db.executemany(f"INSERT INTO {stage}_log (key, id, body) VALUES (?, ?, ?)", rows)  # noqa: S608
        outputs = self._engine.outputs()
        if outputs:
            self._db.executemany(
                "INSERT INTO outbox (channel, id, route, body) VALUES (?, ?, ?, ?)",
                [(o.channel, o.id, o.route, dumps(o.body)) for o in outputs],
            )
        self._counting.flush()
        for store in self._stores.values():
            store.flush()
        for rows in self._logs.values():
            rows.clear()
        return outputs

    # --- campaigns and what is asked of the host ------------------------------------------------------------------

    def set_book(self, book: Book) -> None:
        """Judge by these campaigns, as long as none are put into the database."""
        self._engine.book = book

    def refresh_campaigns(self) -> None:
        """Take up campaigns that `publish` has put into the database."""
        count = self._db.execute("SELECT count(*) FROM campaigns").fetchone()[0]
        if count != self._campaign_version:
            rows = self._db.execute("SELECT body FROM campaigns").fetchall()
            self._engine.book = Book(self._load_campaign(body) for (body,) in rows)
            self._campaign_version = count
