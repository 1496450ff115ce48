"""Putting campaigns and stock on the embedded service, running or not: through its database."""

import sqlite3
from collections.abc import Iterable

from makeweight.adapters.documents.campaigns import CampaignFile
from makeweight.adapters.documents.publishing import Published, prepare
from makeweight.adapters.local.store import due_text
from makeweight.contracts.codec import dumps, parse_object
from makeweight.domain.claims import Receipt, Redress, StockCommand
from makeweight.domain.moments import Instant


def publish(
    connection: sqlite3.Connection, files: Iterable[CampaignFile], stock: Iterable[Receipt | StockCommand], now: Instant
) -> list[Published]:
    """Publish campaigns and hand stock to the ledger, all or nothing. ``FileErrors`` names what is refused."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        rows = connection.execute("SELECT campaign, revision, body FROM campaigns")
        prepared = prepare(files, {(name, revision): parse_object(body) for name, revision, body in rows}, now)
        connection.executemany(
            "INSERT INTO campaigns VALUES (?, ?, ?, ?, ?)",
            [
                (p.published.campaign, p.published.revision, due_text(now), p.published.effective_at, dumps(p.document))
                for p in prepared
                if p.published.changed
            ],
        )
        connection.executemany(
            "INSERT INTO inbox (topic, key, source, id, received_at, body) VALUES (?, ?, ?, ?, ?, ?)",
            [("ledger-commands", r.offer, "stock", r.id, due_text(now), dumps(r)) for r in stock],
        )
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")
    return [p.published for p in prepared]


def hand_to_desk(connection: sqlite3.Connection, redresses: Iterable[Redress], now: Instant) -> None:
    """Put what people owe orders into the inbox, all or nothing."""
    with connection:
        connection.execute("BEGIN IMMEDIATE")
        connection.executemany(
            "INSERT INTO inbox (topic, key, source, id, received_at, body) VALUES (?, ?, ?, ?, ?, ?)",
            [("decisions", one.order, "redress", one.id, due_text(now), dumps(one)) for one in redresses],
        )
