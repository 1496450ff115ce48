"""Totals over all orders beside a desk's state: what an order counted for before a batch, minus; now, plus."""

import sqlite3

from makeweight.domain.moments import Instant
from makeweight.insight.tally import Tally
from makeweight.stages.desk.standing import in_window, standing
from makeweight.stages.desk.state import ORDERS, OrderState
from makeweight.stages.port import Store

TALLY_TABLE = """CREATE TABLE tally (offer TEXT NOT NULL, word TEXT NOT NULL, reason TEXT NOT NULL,
    number INTEGER NOT NULL, PRIMARY KEY (offer, word, reason)) WITHOUT ROWID"""


class Counting:
    """Counts the orders that a transaction touches; the totals are kept in its database."""

    def __init__(self, connection: sqlite3.Connection, desk: Store) -> None:
        self._db, self._desk = connection, desk
        self._before: dict[str, OrderState | None] = {}
        self.answered: list[Instant] = []
        self.tally = Tally(self._read())

    def _read(self) -> dict[tuple[str, str, str], int]:
        rows = self._db.execute("SELECT offer, word, reason, number FROM tally")
        return {(offer, word, reason): number for offer, word, reason, number in rows}

    def touch(self, order: str) -> None:
        """Remember how an order stands, before the first entry of a transaction changes it."""
        if order not in self._before:
            self._before[order] = self._desk.get(ORDERS, order)

    def flush(self) -> None:
        """Count what was touched and write the differences, inside the host's transaction.

        ``answered`` then holds the instants of placing of orders that waited and do so no more.
        """
        self.answered = []
        for key, before in self._before.items():
            after = self._desk.get(ORDERS, key)
            self.tally.add(standing(before), -1)
            self.tally.add_in_window(in_window(before), -1)
            self.tally.add(standing(after))
            self.tally.add_in_window(in_window(after))
            if after is not None and (before is None or before.waiting) and not after.waiting:
                self.answered.append(after.order.placed_at)
        self._before.clear()
        changes = self.tally.take_changes()
        if changes:
            self._db.executemany(
                "INSERT INTO tally VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE SET number = number + excluded.number",
                [(*key, number) for key, number in changes.items()],
            )

    def forget(self) -> None:
        """After a rollback."""
        self._before.clear()
        self.tally = Tally(self._read())
