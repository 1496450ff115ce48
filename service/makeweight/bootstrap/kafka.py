"""Builds what a person asks of the distributed service: its topics, publishing, one order explained."""

from collections.abc import Iterable
from contextlib import closing
from pathlib import Path
from typing import Any

from makeweight.adapters.documents.campaigns import read_files
from makeweight.adapters.documents.publishing import Published
from makeweight.adapters.documents.stock import read_stock
from makeweight.adapters.hosting import Clock
from makeweight.adapters.kafka.administration import Administration, KafkaProblem, Layout
from makeweight.adapters.kafka.logs import reader
from makeweight.adapters.kafka.outbox import Outbox
from makeweight.adapters.kafka.publishing import publish
from makeweight.adapters.kafka.reading import Progress, TopicReader
from makeweight.adapters.kafka.wire import Names
from makeweight.contracts.codec import dumps
from makeweight.contracts.commands import read_command
from makeweight.domain.book import Book
from makeweight.domain.claims import StockCommand
from makeweight.planning.rejects import PutAside
from makeweight.settings import Settings


def broker_of(settings: Settings) -> str:
    """The broker's address. ``KafkaProblem`` if none is set."""
    if not settings.kafka:
        raise KafkaProblem("no broker is named: set MAKEWEIGHT_KAFKA or say --kafka HOST:PORT")
    return settings.kafka


def administration(settings: Settings) -> Administration:
    """What asks and tells the broker about topics."""
    layout = Layout(settings.partitions_order, settings.partitions_offer, settings.replication)
    return Administration(broker_of(settings), Names(settings.prefix), layout)


def publish_files(
    settings: Settings, campaigns: Iterable[Path], stock: Path | None, clock: Clock
) -> tuple[list[Published], int]:
    """Validate campaigns and stock and put them on the topics. ``FileErrors``, and nothing done, if any is wrong."""
    files = read_files(campaigns)
    address, names = broker_of(settings), Names(settings.prefix)
    administration(settings).check()
    outbox, consumer = Outbox(address), reader(address)
    try:
        now = clock()
        known = TopicReader(consumer, names).book()
        fresh = [f.campaign for f in files if known.get(f.campaign.campaign, f.campaign.revision) is None]
        receipts = read_stock(stock, Book([*known, *fresh]), now) if stock is not None else []
        return publish(outbox, consumer, names, files, receipts, now), len(receipts)
    finally:
        consumer.close()
        outbox.close()


def hand_to_ledger(settings: Settings, command: StockCommand, clock: Clock) -> None:
    """Put what a person says of stock on its topic. ``WireError``, and nothing done, if it can't be said."""
    read_command(dumps(command))
    address, names = broker_of(settings), Names(settings.prefix)
    administration(settings).check()
    outbox, consumer = Outbox(address), reader(address)
    try:
        publish(outbox, consumer, names, [], [command], clock())
    finally:
        consumer.close()
        outbox.close()


def book_of(settings: Settings) -> Book:
    """What is published on the distributed service."""
    with closing(reader(broker_of(settings))) as consumer:
        return TopicReader(consumer, Names(settings.prefix)).book()


def explain(settings: Settings, order: str, progress: Progress | None = None) -> dict[str, Any] | None:
    """The story of an order on the distributed service, or None if it was never taken in there."""
    with closing(reader(broker_of(settings))) as consumer:
        return TopicReader(consumer, Names(settings.prefix)).explain(order, progress)


def rejects(settings: Settings, limit: int, key: str | None = None) -> list[PutAside]:
    """The latest inputs that the distributed service put aside, the newest first; ``key``: of that key alone."""
    with closing(reader(broker_of(settings))) as consumer:
        return TopicReader(consumer, Names(settings.prefix)).rejects(limit, key=key)
