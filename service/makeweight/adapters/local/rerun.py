"""The embedded host, fed with what both stages of another run took in, in the order of their logs.

What it says goes nowhere: the claims and decisions that its stages take in are the recorded ones, and its own are only
compared, through the canonical hash of what the run comes to.
"""

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from makeweight.adapters.hosting import Incoming
from makeweight.adapters.local.database import connect
from makeweight.adapters.local.host import Host
from makeweight.adapters.local.reading import Reader
from makeweight.contracts.campaigns import read_campaign
from makeweight.domain.book import Book
from makeweight.domain.claims import Tick
from makeweight.domain.entries import (
    Answered,
    Booked,
    Handled,
    Judged,
    Lapsed,
    Outnumbered,
    Received,
    Redressed,
    Reported,
    Settled,
)
from makeweight.domain.moments import Instant
from makeweight.planning.ending import Ending

BATCH = 500


def recorded(stage: str, entries: Iterable[Any]) -> Iterator[Incoming]:
    """The inputs that led to entries, in their order. What an input did beside itself is left out.

    So is the time, except where an order lapsed by it: that changes what the order has, and no other input says it.
    """
    for entry in entries:
        topic, digest = "decisions" if stage == "desk" else "ledger-commands", ""
        body: Any = None
        if isinstance(entry, Judged):
            topic, body, digest = "orders", entry.order, entry.digest
        elif isinstance(entry, Reported):
            topic, body, digest = "fulfilment", entry.fact, entry.digest
        elif isinstance(entry, Answered):
            body = entry.decision
        elif isinstance(entry, Lapsed):
            body = Tick(f"tick:{entry.at.isoformat()}", entry.at)
        elif isinstance(entry, Redressed):
            body = entry.redress
        elif isinstance(entry, Outnumbered) or (isinstance(entry, Settled) and entry.cause is None):
            body = entry.claim
        elif isinstance(entry, Received):
            body = entry.receipt
        elif isinstance(entry, Handled | Booked):
            body = entry.command
        if body is not None:
            yield Incoming(topic, "", "", "", b"", body, digest)


def rerun(directory: Path, book: Book, inputs: Iterable[Incoming], at: Instant) -> Ending:
    """What the embedded host makes of recorded inputs. ``directory`` must hold no service."""
    connection = connect(directory)
    host = Host(connection, lambda: at, read_campaign, routed=False)
    host.set_book(book)
    try:
        batch: list[Incoming] = []
        for one in inputs:
            if isinstance(one.body, Tick):  # what is due by it is known once all that came before is committed
                host.take(batch)
                batch = []
            batch.append(one)
            if len(batch) == BATCH:
                host.take(batch)
                batch = []
        host.take(batch)
    finally:
        connection.close()
    reader = Reader(directory, read_campaign)
    try:
        return reader.ending()
    finally:
        reader.close()
