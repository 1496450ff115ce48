"""Reading the service's database beside the host: tickets by cursor, totals, levels, one order's story.

A connection of its own: under WAL a reader sees the last commit and never waits for the writer.
"""

import threading
from collections.abc import Callable
from datetime import UTC
from pathlib import Path
from typing import Any

from makeweight.adapters.local.database import connect
from makeweight.adapters.local.memory import MemoryStore
from makeweight.adapters.local.store import due_text
from makeweight.contracts.codec import Codec
from makeweight.contracts.messages import DESK_ENTRY, LEDGER_ENTRY, TICKET
from makeweight.domain.book import Book
from makeweight.domain.campaigns import Campaign
from makeweight.domain.entries import DeskEntry, Judged, LedgerEntry
from makeweight.domain.moments import Instant
from makeweight.domain.stock import Balance
from makeweight.domain.tickets import OfferLevel
from makeweight.domain.values import replaced
from makeweight.insight.tally import Tally
from makeweight.planning.ending import Ending, latest
from makeweight.planning.rejects import ASIDE_OF_AN_ORDER, PutAside
from makeweight.planning.story import story
from makeweight.stages.desk import Desk
from makeweight.stages.desk.state import ORDERS, OrderState
from makeweight.stages.ledger.say import level_of
from makeweight.stages.ledger.state import BALANCES, CLAIMS, OFFERS, ClaimState, OfferState
from makeweight.stages.port import Space

_BODY = "CAST(body AS TEXT)"
_REPORTS = (
    f"SELECT json_extract({_BODY}, '$.fact.ticket'), json_extract({_BODY}, '$.fact.happened') "  # noqa: S608
    f"FROM desk_log WHERE json_extract({_BODY}, '$.kind') = 'reported'"
)
# Of an order as it came: bare, or in a CloudEvent. What is no JSON has none.
_REVISION = (
    f"CASE WHEN json_valid({_BODY}) THEN "
    f"coalesce(json_extract({_BODY}, '$.revision'), json_extract({_BODY}, '$.data.revision')) END"
)
_ASIDE = "received_at, topic, key, code, sentence"


class Reader:
    """Answers questions about the committed state of an embedded service."""

    def __init__(self, directory: Path, load_campaign: Callable[[bytes], Campaign], *, create: bool = False) -> None:
        self._db = connect(directory, create=create)
        self._load = load_campaign
        self._lock = threading.Lock()
        self._claims: Codec[ClaimState] = Codec(CLAIMS.kind)
        self._offers: Codec[OfferState] = Codec(OFFERS.kind)
        self._balances: Codec[Balance] = Codec(BALANCES.kind)

    def _rows(self, query: str, *values: object) -> list[Any]:
        with self._lock:
            return self._db.execute(query, values).fetchall()

    def tickets_after(self, cursor: int, limit: int) -> list[tuple[int, bytes]]:
        """Tickets said after a position, oldest first."""
        return self._rows(
            "SELECT position, body FROM outbox WHERE channel = 'pick-tickets' AND position > ? "
            "ORDER BY position LIMIT ?",
            cursor,
            limit,
        )

    def book(self) -> Book:
        """All published campaigns."""
        return Book(self._load(body) for (body,) in self._rows("SELECT body FROM campaigns"))

    def tally(self) -> Tally:
        """The totals over all orders."""
        rows = self._rows("SELECT offer, word, reason, number FROM tally")
        return Tally({(offer, word, reason): number for offer, word, reason, number in rows})

    def levels(self) -> list[OfferLevel]:
        """The level of every offer that the ledger knows."""
        balances: dict[str, list[Balance]] = {}
        for body in self._state(BALANCES):
            balance = self._balances.loads(body)
            balances.setdefault(balance.offer, []).append(balance)
        found = []
        for body in self._state(OFFERS):
            offer = self._offers.loads(body)
            found.append(level_of(offer, balances.get(offer.offer, [])))
        return found

    def desk_entries_after(self, position: int, limit: int) -> list[tuple[int, DeskEntry]]:
        """What the desk logged after a position, oldest first."""
        rows = self._rows(
            "SELECT position, body FROM desk_log WHERE position > ? ORDER BY position LIMIT ?", position, limit
        )
        return [(at, DESK_ENTRY.loads(body)) for at, body in rows]

    def ledger_entries_after(self, position: int, limit: int) -> list[tuple[int, LedgerEntry]]:
        """What the ledger logged after a position, oldest first."""
        rows = self._rows(
            "SELECT position, body FROM ledger_log WHERE position > ? ORDER BY position LIMIT ?", position, limit
        )
        return [(at, LEDGER_ENTRY.loads(body)) for at, body in rows]

    def outbox_after(self, channel: str, position: int, limit: int) -> list[tuple[int, str, bytes]]:
        """What was said on a channel after a position, oldest first: position, id, body."""
        return self._rows(
            "SELECT position, id, body FROM outbox WHERE position > ? AND channel = ? ORDER BY position LIMIT ?",
            position,
            channel,
            limit,
        )

    def judged_before(self, order: str, position: int) -> Judged | None:
        """How the desk had judged an order before a position of its log, or None if it had not."""
        query = "SELECT body FROM desk_log WHERE key = ? AND position < ? ORDER BY position DESC"
        found = (DESK_ENTRY.loads(body) for (body,) in self._rows(query, order, position))
        return next((entry for entry in found if isinstance(entry, Judged)), None)

    def reports_after(self, position: int, limit: int) -> tuple[int, list[tuple[str, str]]]:
        """What the warehouse reported in the next rows of the desk's log: ticket, what happened; and where they end."""
        query = "SELECT max(position) FROM (SELECT position FROM desk_log WHERE position > ? ORDER BY position LIMIT ?)"
        end = self._rows(query, position, limit)[0][0]
        if end is None:
            return position, []
        return end, self._rows(f"{_REPORTS} AND position > ? AND position <= ? ORDER BY position", position, end)

    def reports_on(self, ticket: str) -> list[tuple[str, str]]:
        """What the warehouse reported on the tickets of a ticket's order: ticket, what happened."""
        return self._rows(f"{_REPORTS} AND key = ? ORDER BY position", ticket.partition("/")[0])

    def said_before(self, channel: str, id_: str, position: int) -> bool:
        """Whether something was said of an id on a channel before a position."""
        query = "SELECT 1 FROM outbox WHERE channel = ? AND id = ? AND position < ? LIMIT 1"
        return bool(self._rows(query, channel, id_, position))

    def orders_like(self, beginning: str, limit: int) -> list[str]:
        """Orders whose ids begin like that, in their order."""
        query = "SELECT DISTINCT key FROM desk_log WHERE key >= ? AND key < ? ORDER BY key LIMIT ?"
        return [order for (order,) in self._rows(query, beginning, beginning + "\U0010ffff", limit)]

    def campaigns_published(self) -> int:
        """How many revisions have been published: if it is what it was, the book is too."""
        return int(self._rows("SELECT count(*) FROM campaigns")[0][0])

    def pending(self) -> bool:
        """Whether another process has put something into the inbox that the service has not worked on."""
        query = "SELECT 1 FROM inbox WHERE position > (SELECT CAST(body AS INTEGER) FROM meta WHERE name = 'handled')"
        return bool(self._rows(query + " LIMIT 1"))

    def due(self, now: Instant) -> bool:
        """Whether anything of any order is due by the clock."""
        return bool(self._rows("SELECT 1 FROM state WHERE due <= ? LIMIT 1", due_text(now)))

    def generation(self) -> int:
        """How often a mirror of topics was started anew: positions that were read in another one mean nothing now.

        0 of an embedded service: its logs are never cut.
        """
        rows = self._rows("SELECT CAST(body AS INTEGER) FROM meta WHERE name = 'mirror:generation'")
        return int(rows[0][0]) if rows else 0

    def watermark(self) -> Instant | None:
        """The newest instant at which any order was placed or revised, as the orders say; None before the first.

        Of a mirror, that of the partition furthest behind, of those that have orders.
        """
        kept = self._rows("SELECT body FROM meta WHERE name GLOB 'mirror:watermark/*'")
        if kept:
            return min(Instant.fromisoformat(text).astimezone(UTC) for (text,) in kept)
        # Compared as instants, not as texts: their offsets differ.
        told = self._rows(
            "SELECT DISTINCT json_extract(CAST(body AS TEXT), '$.order.placed_at'), "
            "json_extract(CAST(body AS TEXT), '$.order.revised_at') FROM desk_log "
            "WHERE json_extract(CAST(body AS TEXT), '$.kind') = 'judged'"
        )
        return max((Instant.fromisoformat(text).astimezone(UTC) for row in told for text in row), default=None)

    def explain(self, order: str) -> dict[str, Any] | None:
        """The story of an order, or None if it was never seen."""
        state, entries = self.order(order)
        levels = {level.offer: level for level in self.levels()}
        if state is None:
            return None
        return story(state, entries, self.book(), levels.get, reversed(self.rejects(ASIDE_OF_AN_ORDER, key=order)))

    def order(self, order: str) -> tuple[OrderState | None, list[DeskEntry]]:
        """An order as the desk knows it, or None if it was never seen; and the entries that it is the fold of."""
        rows = self._rows("SELECT body FROM desk_log WHERE key = ? ORDER BY position", order)
        entries = [DESK_ENTRY.loads(body) for (body,) in rows]
        store, desk = MemoryStore(), Desk()
        for entry in entries:
            desk.fold(store, entry)
        return store.get(ORDERS, order), entries

    def ending(self) -> Ending:
        """What everything has come to so far."""
        store, desk = MemoryStore(), Desk()
        for (body,) in self._rows("SELECT body FROM desk_log ORDER BY position"):
            desk.fold(store, DESK_ENTRY.loads(body))
        rows = self._rows("SELECT body FROM outbox WHERE channel = 'pick-tickets' ORDER BY position")
        return Ending(
            store.values(ORDERS),
            [self._claims.loads(body) for body in self._state(CLAIMS)],
            [self._balances.loads(body) for body in self._state(BALANCES)],
            latest(TICKET.loads(body) for (body,) in rows),
        )

    def _state(self, space: Space[Any]) -> list[bytes]:
        rows = self._rows("SELECT body FROM state WHERE space = ? ORDER BY key", f"ledger.{space.name}")
        return [body for (body,) in rows]

    def rejects(self, limit: int, *, key: str | None = None) -> list[PutAside]:
        """The latest inputs that were put aside, the newest first, with their bytes; ``key``: of that key alone."""
        rows = self._rows(
            f"SELECT {_ASIDE}, body FROM rejects WHERE ?1 IS NULL OR key = ?1 ORDER BY position DESC LIMIT ?2",  # noqa: S608
            key,
            limit,
        )
        return [_aside(*row) for row in rows]

    def rejects_after(self, position: int, limit: int) -> list[tuple[int, PutAside]]:
        """What was put aside after a position, oldest first, without its bytes."""
        rows = self._rows(
            f"SELECT position, {_ASIDE}, {_REVISION} FROM rejects WHERE position > ? ORDER BY position LIMIT ?",  # noqa: S608
            position,
            limit,
        )
        found = []
        for at, *row, revision in rows:
            found.append((at, replaced(_aside(*row), revision=revision if isinstance(revision, int) else None)))
        return found

    def close(self) -> None:
        """Close the connection."""
        self._db.close()


def _aside(at: str, topic: str, key: str, code: str, sentence: str, body: bytes = b"") -> PutAside:
    return PutAside(Instant.fromisoformat(at), topic, key, code, sentence, body)
