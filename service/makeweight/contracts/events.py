"""CloudEvents 1.0: the envelope of every message that comes from outside.

Only what duplicates and routing need is read: id and source are required and never made up (an SDK that fills in a
missing id would make every repeat look new).
"""

import re
from collections.abc import Iterable, Mapping
from typing import Any, Literal

from makeweight.contracts.codec import dumps, not_carried, parse_object
from makeweight.contracts.orders import MAX_ID, FulfilmentEvent, OrderEvent, read_fulfilment, read_order
from makeweight.contracts.problems import WireError, nearest
from makeweight.domain.values import value

ORDER_TYPE = "com.makeweight.order.v1"
FULFILMENT_TYPE = "com.makeweight.fulfilment.v1"
TYPES = (ORDER_TYPE, FULFILMENT_TYPE)
REQUIRED = ("specversion", "id", "source", "type")
NAMING = ("id", "source", "subject")  # kept as text, so they must be text: a header may hold any bytes
_ID = re.compile(f"[^\x00-\x1f\x7f-\x9f\ud800-\udfff/]{{1,{MAX_ID}}}")
NOT_TEXT = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")  # CloudEvents 1.0, type String


@value
class Envelope:
    """An event's attributes, and its data as JSON."""

    id: str
    source: str
    type: str
    subject: str
    data: bytes


def read_attributes(attributes: Mapping[str, str], data: bytes) -> Envelope:
    """Binary mode: attributes beside the data. ``WireError`` names the attribute that is missing or wrong."""
    for name in REQUIRED:
        if not attributes.get(name):
            raise WireError("envelope", f"CloudEvents attribute {name!r} is missing or empty")
    for name in NAMING:
        if NOT_TEXT.search(attributes.get(name, "")):
            raise WireError("envelope", f"CloudEvents attribute {name!r} holds characters that are no text")
    if attributes["specversion"] != "1.0":
        raise WireError("envelope", f"specversion is {attributes['specversion']!r}; expected '1.0'")
    if attributes["type"] not in TYPES:
        known = " or ".join(TYPES)
        given = attributes["type"]
        raise WireError("envelope", f"type is {given!r}; expected {known}{nearest(given, TYPES)}")
    return Envelope(attributes["id"], attributes["source"], attributes["type"], attributes.get("subject", ""), data)


def read_structured(body: bytes | str) -> Envelope:
    """Structured mode: one JSON object with the attributes and ``data``."""
    return _structured(parse_object(body))


def _structured(parsed: dict[str, Any]) -> Envelope:
    if "data" not in parsed:
        raise WireError("envelope", "CloudEvents member 'data' is missing; an event without data says nothing")
    for name in (*REQUIRED, "subject"):
        if not isinstance(parsed.get(name, ""), str):
            raise WireError("envelope", f"CloudEvents attribute {name!r} is not text")
    try:
        data = dumps(parsed["data"])
    except TypeError as error:
        raise not_carried(error) from None
    return read_attributes({k: v for k, v in parsed.items() if isinstance(v, str)}, data)


def read_line(body: bytes, source: str, place: int) -> Envelope:
    """A line of a JSONL file: a structured event, or bare data, which then is known by the file and its line."""
    parsed = parse_object(body)
    if "specversion" in parsed:
        return _structured(parsed)
    kind = FULFILMENT_TYPE if "ticket" in parsed else ORDER_TYPE
    return Envelope(f"{place}", source, kind, order_named(body), body)


# The Kafka protocol binding of CloudEvents 1.0: attributes are headers with this prefix, data is the record's value.
KAFKA_PREFIX = "ce_"
STRUCTURED = b"application/cloudevents+json"
Headers = list[tuple[str, bytes]]


def headers(kind: str, id_: str, source: str, subject: str) -> Headers:
    """The headers of a record that the program itself writes; ``kind`` is the name of its schema."""
    return [
        ("ce_specversion", b"1.0"),
        ("ce_id", id_.encode()),
        ("ce_source", source.encode()),
        ("ce_type", f"com.makeweight.{kind}.v1".encode()),
        ("ce_subject", subject.encode()),
        ("content-type", b"application/json"),
    ]


def read_record(given: Iterable[tuple[str, bytes | None]], body: bytes) -> Envelope:
    """A Kafka record's envelope, binary or structured. ``WireError`` names the header that is missing or wrong."""
    attributes: dict[str, str] = {}
    for name, text in given:
        if name == "content-type" and text and text.split(b";")[0].strip() == STRUCTURED:
            return read_structured(body)
        if name.startswith(KAFKA_PREFIX):
            try:
                attributes[name[len(KAFKA_PREFIX) :]] = (text or b"").decode()
            except UnicodeDecodeError:
                raise WireError("envelope", f"header {name!r} is not UTF-8 text") from None
    if not attributes:
        raise WireError("envelope", "no CloudEvents headers; expected ce_specversion, ce_id, ce_source and ce_type")
    return read_attributes(attributes, body)


Body = OrderEvent | FulfilmentEvent
Kind = Literal["orders", "fulfilment"]


def order_named(raw: bytes, subject: str = "") -> str:
    """The order that an event says it is about, though it can't be read; '' where that can't be told.

    ``raw`` is the event, or its data alone. By the order a person finds what was put aside.
    """
    try:
        parsed = parse_object(raw)
    except WireError:
        parsed = {}
    data = parsed.get("data")
    named = (data if isinstance(data, dict) else parsed).get("order")
    return next((one for one in (named, subject) if isinstance(one, str) and _ID.fullmatch(one)), "")


def kind_of(envelope: Envelope) -> Kind:
    """The topic that the event belongs to."""
    return "orders" if envelope.type == ORDER_TYPE else "fulfilment"


def read_data(envelope: Envelope) -> Body:
    """The order or fulfilment event inside; ``WireError`` where it is malformed."""
    if envelope.type == ORDER_TYPE:
        return read_order(envelope.data)
    return read_fulfilment(envelope.data)
