"""Builds what says how a ticket went out, on either runtime."""

from makeweight.adapters.documents.despatch_advice import despatch_advice
from makeweight.adapters.kafka.logs import reader
from makeweight.adapters.kafka.reading import Progress, TopicReader
from makeweight.adapters.kafka.wire import Names
from makeweight.adapters.local.reading import Reader
from makeweight.bootstrap.kafka import broker_of
from makeweight.contracts.campaigns import read_campaign
from makeweight.domain.entries import DeskEntry
from makeweight.planning.parcel import NotPacked, parcel
from makeweight.planning.printing import order_of
from makeweight.settings import Settings
from makeweight.stages.desk.state import OrderState


def embedded(settings: Settings, ticket: str) -> bytes:
    """The DespatchAdvice of a ticket of an embedded service. ``NotPacked`` if nothing of it went out."""
    source = Reader(settings.state, read_campaign)
    try:
        return _advice(ticket, *source.order(order_of(ticket)))
    finally:
        source.close()


def distributed(settings: Settings, ticket: str, progress: Progress | None = None) -> bytes:
    """The DespatchAdvice of a ticket of the distributed service. ``NotPacked`` if nothing of it went out."""
    consumer = reader(broker_of(settings))
    try:
        return _advice(ticket, *TopicReader(consumer, Names(settings.prefix)).order(order_of(ticket), progress))
    finally:
        consumer.close()


def _advice(ticket: str, state: OrderState | None, entries: list[DeskEntry]) -> bytes:
    if state is None:
        raise NotPacked(f"order {order_of(ticket)!r} was never seen here; a ticket is named ORDER/SITE/NUMBER")
    found = parcel(state, entries, ticket)
    return despatch_advice(found.ticket, found.packed_at, found.delivered, found.reasons)
