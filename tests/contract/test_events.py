"""CloudEvents 1.0: what identifies an event is required, and never made up."""

import json

import orjson
import pytest
from cloudevents.core.exceptions import CloudEventValidationError
from cloudevents.core.formats.json import JSONFormat
from cloudevents.core.v1.event import CloudEvent

from makeweight.adapters.documents.orders import read_one
from makeweight.contracts.events import (
    FULFILMENT_TYPE,
    ORDER_TYPE,
    REQUIRED,
    kind_of,
    read_attributes,
    read_data,
    read_line,
    read_structured,
)
from makeweight.contracts.examples import EXAMPLES
from makeweight.contracts.orders import digest
from makeweight.contracts.problems import WireError

ORDER = EXAMPLES["order-event"]
# The id is the specification's own example (cloudevents/spec, spec.md, section 'Example').
GOOD = {"id": "A234-1234-1234", "source": "/shop/orders", "type": ORDER_TYPE, "specversion": "1.0", "subject": "A-1001"}
WRONG = [
    *({name: None} for name in REQUIRED if name not in ("id", "specversion")),
    *({name: ""} for name in REQUIRED),
    {"specversion": "0.3"},
    {"specversion": "1"},
    {"specversion": "1.0 "},
]


def attributes(change: dict) -> dict:
    """Good attributes with a change; None takes one away."""
    return {name: text for name, text in {**GOOD, **change}.items() if text is not None}


def structured(change: dict, data: bytes = ORDER) -> bytes:
    """The same in structured mode."""
    return orjson.dumps({**attributes(change), "data": orjson.loads(data)})


@pytest.mark.parametrize("change", WRONG, ids=str)
def test_what_the_sdk_refuses_we_refuse(change):
    """Source: CloudEvents 1.0 required attributes, by the cloudevents SDK."""
    with pytest.raises(CloudEventValidationError):
        CloudEvent(attributes(change), {})
    (name,) = change
    with pytest.raises(WireError, match=name) as binary:
        read_attributes(attributes(change), ORDER)
    with pytest.raises(WireError, match=name):
        read_structured(structured(change))
    assert binary.value.code == "envelope"


@pytest.mark.parametrize("name", [*REQUIRED, "subject"])
@pytest.mark.parametrize("wrong", [7, True, ["x"], {"a": 1}], ids=str)
def test_attributes_are_text(name, wrong):
    """Source: CloudEvents 1.0 types of the context attributes, by the cloudevents SDK."""
    with pytest.raises(CloudEventValidationError):
        CloudEvent(attributes({name: wrong}), {})
    with pytest.raises(WireError, match=name):
        read_structured(structured({name: wrong}))


def test_a_missing_id_is_refused_where_the_sdk_makes_one_up():
    """The trap of trade/checks.md 4.4: an id made up by the reader would make every repeat look new."""
    made_up = {CloudEvent(attributes({"id": None}), {}).get_id() for _ in range(2)}
    assert len(made_up) == 2
    with pytest.raises(WireError, match="'id' is missing"):
        read_attributes(attributes({"id": None}), ORDER)
    with pytest.raises(WireError, match="'id' is missing"):
        read_structured(structured({"id": None}))


def test_a_missing_specversion_is_refused_where_the_sdk_fills_it_in():
    """Source: CloudEvents 1.0, specversion is required; the SDK's constructor fills it in."""
    assert CloudEvent(attributes({"specversion": None}), {}).get_specversion() == "1.0"
    with pytest.raises(WireError, match="'specversion' is missing"):
        read_structured(structured({"specversion": None}))


def test_what_the_sdk_writes_we_read():
    """Source: the JSON format of CloudEvents 1.0, as the cloudevents SDK writes it."""
    event = CloudEvent(attributes({"datacontenttype": "application/json"}), json.loads(ORDER))
    envelope = read_structured(JSONFormat().write(event))
    assert (envelope.id, envelope.source, envelope.subject) == (GOOD["id"], GOOD["source"], "A-1001")
    assert read_data(envelope) == read_data(read_attributes(GOOD, ORDER))


def test_binary_and_structured_mode_say_the_same():
    """One event in its two modes is one order with one digest."""
    binary, whole = read_attributes(GOOD, ORDER), read_structured(structured({}))
    assert (binary.id, binary.source, binary.type, binary.subject) == (
        whole.id,
        whole.source,
        whole.type,
        whole.subject,
    )
    one, other = read_data(binary), read_data(whole)
    assert one == other
    assert one.order == "A-1001"
    assert digest(one) == digest(other)


def test_extensions_and_optional_attributes_are_passed_over():
    """Source: CloudEvents 1.0: a consumer takes events whose extensions it doesn't know."""
    more = {"traceparent": "00-x", "time": "2026-11-24T10:00:00Z", "datacontenttype": "application/json"}
    plain = read_data(read_structured(structured({})))
    assert read_data(read_structured(structured(more))) == plain
    assert read_data(read_attributes({**GOOD, **more}, ORDER)) == plain


@pytest.mark.parametrize(
    ("given", "hint"),
    [
        ("com.makeweight.order.v2", "did you mean 'com.makeweight.order.v1'"),
        ("com.makeweight.fulfillment.v1", "did you mean 'com.makeweight.fulfilment.v1'"),
        ("order", f"expected {ORDER_TYPE} or {FULFILMENT_TYPE}"),
    ],
)
def test_an_unknown_type_names_the_nearest(given, hint):
    """Issue, 'Bad input': what was expected, and the nearest valid name."""
    with pytest.raises(WireError, match=hint):
        read_attributes(attributes({"type": given}), ORDER)


@pytest.mark.parametrize("body", [b"", b"nope", b"[]", b'"text"', b"{", b'{"specversion":"1.0"}', b"\xff\xfe"])
def test_structured_rubbish_is_refused(body):
    """Whatever the bytes, the answer is a sentence and not an exception of a library."""
    with pytest.raises(WireError) as refused:
        read_structured(body)
    assert refused.value.code in ("malformed", "envelope")


@pytest.mark.parametrize("name", ["id", "source", "subject"])
@pytest.mark.parametrize("text", ["a\udcff", "a\nb", "a\x00", "a\x7f"], ids=ascii)
def test_attributes_hold_no_control_characters(name, text):
    """Source: CloudEvents 1.0, type String: no control characters and no lone surrogates.

    A header with a byte that is no UTF-8 reaches us as a lone surrogate, and no database takes it.
    """
    with pytest.raises(WireError, match=name):
        read_attributes(attributes({name: text}), ORDER)


def test_a_bare_line_is_known_by_its_file_and_place():
    """A JSONL line without an envelope: the file is its source and the line's number its id."""
    envelope = read_line(ORDER, "day.jsonl", 17)
    assert (envelope.source, envelope.id, envelope.type, envelope.subject) == ("day.jsonl", "17", ORDER_TYPE, "A-1001")
    assert read_data(envelope) == read_data(read_attributes(GOOD, ORDER))


def test_a_bare_line_of_the_warehouse_is_told_by_its_ticket():
    """A fulfilment event names a ticket, an order never does."""
    envelope = read_line(EXAMPLES["fulfilment-event"], "day.jsonl", 3)
    assert (envelope.type, kind_of(envelope)) == (FULFILMENT_TYPE, "fulfilment")
    assert read_data(envelope).ticket == "A-1001/main/1"


def test_a_structured_line_keeps_its_own_id():
    """An enveloped line is known by its envelope, in whatever file it comes."""
    envelope = read_line(structured({}), "day.jsonl", 17)
    assert (envelope.source, envelope.id) == (GOOD["source"], GOOD["id"])


@pytest.mark.parametrize(
    "opaque",
    [10**30, -(10**30), [[[1]]], "[" * 180 + "]" * 180, "[" * 400 + "]" * 400, float("nan"), float("inf")],
    ids=["big", "small", "nested", "deep", "deeper", "nan", "inf"],
)
@pytest.mark.parametrize("bare", [True, False])
def test_opaque_members_of_any_size_are_taken_or_refused(opaque, bare):
    """An opaque member that JSON readers differ on is carried through or refused in a sentence; it never crashes."""
    text = opaque if isinstance(opaque, str) else json.dumps(opaque)
    body = ORDER[:-1] + b',"opaque":' + text.encode() + b"}"
    whole = json.dumps(GOOD).encode()[:-1] + b',"data":' + body + b"}"
    line = read_one(body if bare else whole, "day.jsonl", 1)
    if line.error is None:
        assert line.digest == digest(line.body)
        json.loads(orjson.dumps(vars(line.body)["opaque"]))
    else:
        assert line.error.code == "malformed"
