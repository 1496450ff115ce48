"""Order events as JSONL: one structured CloudEvent, or one bare event, a line."""

from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from makeweight.contracts.events import Body, Envelope, Kind, kind_of, order_named, read_data, read_line
from makeweight.contracts.orders import digest
from makeweight.contracts.problems import WireError
from makeweight.contracts.topics import MAX_EVENT_BYTES
from makeweight.domain.values import value


@value
class Line:
    """A line of the file: the event in it, or what is wrong with it. ``order`` is what it is about, '' if unknown."""

    number: int
    raw: bytes
    kind: Kind = "orders"
    body: Body | None = None
    digest: str = ""
    error: WireError | None = None
    order: str = ""


def read_jsonl(path: Path) -> Iterator[Line]:
    """The lines of a file, wrong ones included; empty lines are passed over."""
    with path.open("rb") as file:
        yield from read_stream(file, path.name)


def read_stream(file: BinaryIO, name: str) -> Iterator[Line]:
    """The lines of an open stream."""
    for number, raw in enumerate(file, 1):
        text = raw.strip()
        if text:
            yield read_one(text, name, number)


def read_one(text: bytes, name: str, number: int) -> Line:
    """One line."""
    if len(text) > MAX_EVENT_BYTES:
        return Line(number, text, error=WireError("too_large", f"the event is larger than {MAX_EVENT_BYTES} bytes"))
    try:
        envelope: Envelope = read_line(text, name, number)
    except WireError as error:
        return Line(number, text, error=error, order=order_named(text))
    kind = kind_of(envelope)
    try:
        body = read_data(envelope)
        return Line(number, text, kind, body, digest(body), order=body.order)
    except WireError as error:
        return Line(number, text, kind, error=error, order=order_named(envelope.data, envelope.subject))
