"""Builds what prints a pick ticket, on either runtime."""

from makeweight.adapters.kafka.logs import reader
from makeweight.adapters.kafka.reading import Progress, TopicReader
from makeweight.adapters.kafka.wire import Names
from makeweight.adapters.local.reading import Reader
from makeweight.bootstrap.kafka import broker_of
from makeweight.contracts.campaigns import read_campaign
from makeweight.planning.printing import order_of, sheet_of
from makeweight.planning.sheet import Sheet
from makeweight.settings import Settings


def embedded(settings: Settings, ticket: str) -> Sheet:
    """The sheet of a ticket of an embedded service. ``NoSuchTicket`` if it has none of that id."""
    source = Reader(settings.state, read_campaign)
    try:
        return sheet_of(ticket, source.order(order_of(ticket))[0])
    finally:
        source.close()


def distributed(settings: Settings, ticket: str, progress: Progress | None = None) -> Sheet:
    """The sheet of a ticket of the distributed service. ``NoSuchTicket`` if it has none of that id."""
    consumer = reader(broker_of(settings))
    try:
        return sheet_of(ticket, TopicReader(consumer, Names(settings.prefix)).order(order_of(ticket), progress)[0])
    finally:
        consumer.close()


def as_html(sheet: Sheet) -> bytes:
    """A sheet as an HTML page. ``ModuleNotFoundError`` without the extra."""
    from makeweight.adapters.documents import sheet_html  # noqa: PLC0415 - needs the extra `board`

    return sheet_html.page([sheet], f"Pick ticket {sheet.ticket}").encode("utf-8", "replace")


def as_pdf(sheet: Sheet) -> bytes:
    """A sheet as a PDF. ``ModuleNotFoundError`` without the extra."""
    from makeweight.adapters.documents import sheet_pdf  # noqa: PLC0415 - as above

    return sheet_pdf.document([sheet], f"Pick ticket {sheet.ticket}")
