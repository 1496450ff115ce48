"""Putting campaigns, stock and events on the topics."""

from collections.abc import Iterable

from confluent_kafka import Consumer

from makeweight.adapters.documents.campaigns import CampaignFile
from makeweight.adapters.documents.publishing import Document, Prepared, Published, prepare
from makeweight.adapters.kafka.administration import KafkaProblem
from makeweight.adapters.kafka.logs import read_to_end
from makeweight.adapters.kafka.outbox import Outbox
from makeweight.adapters.kafka.wire import Names, Sending
from makeweight.contracts.codec import canonical, dumps, parse_object
from makeweight.contracts.events import FULFILMENT_TYPE, ORDER_TYPE, Envelope, headers
from makeweight.contracts.problems import WireError
from makeweight.domain.claims import Receipt, Redress, StockCommand
from makeweight.domain.moments import Instant

SOURCE = "makeweight/publish"


def published_documents(consumer: Consumer, names: Names) -> dict[tuple[str, int], Document]:
    """All published documents, by campaign and revision: the first with a name counts."""
    found: dict[tuple[str, int], Document] = {}
    for chunk in read_to_end(consumer, names.topic("campaigns"), {0: 0}):
        for record in chunk:
            try:
                document = parse_object(record.value or b"")
            except WireError:
                continue  # the workers put it aside
            found.setdefault((str(document.get("campaign")), int(document.get("revision") or 1)), document)
    return found


def publish(
    outbox: Outbox,
    consumer: Consumer,
    names: Names,
    files: Iterable[CampaignFile],
    stock: Iterable[Receipt | StockCommand],
    now: Instant,
) -> list[Published]:
    """Publish campaigns and hand stock to the ledger. ``FileErrors`` names what is refused, and nothing is written."""
    prepared = prepare(files, published_documents(consumer, names), now)
    changed = [p for p in prepared if p.published.changed]
    outbox.write(_campaign(names, p) for p in changed)
    outbox.write(command(names, one) for one in stock)
    outbox.flush()
    if changed:
        _check_first(published_documents(consumer, names), changed)
    return [p.published for p in prepared]


def _campaign(names: Names, one: Prepared) -> Sending:
    key = f"{one.published.campaign}/{one.published.revision}"
    told = headers("campaign", key, SOURCE, key)
    return Sending(names.topic("campaigns"), key.encode(), dumps(one.document), told, 0)


def command(names: Names, said: Receipt | StockCommand) -> Sending:
    """The record of stock that came in, or of what people say of it, keyed by its offer."""
    told = headers("ledger-command", said.id, SOURCE, said.offer)
    return Sending(names.topic("ledger-commands"), said.offer.encode(), dumps(said), told)


def redress(names: Names, owed: Redress) -> Sending:
    """The record of what people owe an order, keyed by it."""
    told = headers("decision", owed.id, SOURCE, owed.order)
    return Sending(names.topic("decisions"), owed.order.encode(), dumps(owed), told)


def _check_first(known: dict[tuple[str, int], Document], changed: list[Prepared]) -> None:
    """Another publisher may have been first with the same revision: the first in the topic counts for every worker."""
    for one in changed:
        name = (one.published.campaign, one.published.revision)
        if canonical(dict(known.get(name, {}))) != canonical(one.document):
            text = f"{name[0]!r} revision {name[1]} was published by someone else at the same time; theirs counts. "
            raise KafkaProblem(text + f"Publish yours as `revision: {name[1] + 1}`")


def event(names: Names, envelope: Envelope) -> Sending:
    """The record of an order or fulfilment event, keyed by its order."""
    channel = "orders" if envelope.type == ORDER_TYPE else "fulfilment"
    kind = ORDER_TYPE if envelope.type == ORDER_TYPE else FULFILMENT_TYPE
    told = [
        ("ce_specversion", b"1.0"),
        ("ce_id", envelope.id.encode()),
        ("ce_source", envelope.source.encode()),
        ("ce_type", kind.encode()),
        ("ce_subject", envelope.subject.encode()),
        ("content-type", b"application/json"),
    ]
    return Sending(names.topic(channel), envelope.subject.encode(), envelope.data, told)
