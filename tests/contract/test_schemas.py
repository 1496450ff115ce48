"""The published schemas: they are what the models say, they are sound JSON Schema, and their examples hold."""

import json
import subprocess
import sys
from pathlib import Path

import orjson
import pytest
import yaml
from jsonschema import Draft202012Validator

from makeweight.contracts.codec import dumps
from makeweight.contracts.examples import EXAMPLES
from makeweight.contracts.orders import ORDER
from makeweight.contracts.schemas import DIALECT, schema
from makeweight.contracts.topics import SCHEMAS, TOPICS
from makeweight.domain.book import Book
from makeweight.domain.moments import Instant
from makeweight.domain.tickets import PickTicket
from makeweight.stages.desk import Desk
from makeweight.stages.port import Message, View
from tests.support.nodes import Node

FOLDER = Path(__file__).parents[2] / "schemas"
MAKEWEIGHT = Path(sys.executable).parent / "makeweight"
CHECKER = Draft202012Validator.FORMAT_CHECKER


def validator(name: str) -> Draft202012Validator:
    """A validator of a published file, formats included."""
    return Draft202012Validator(json.loads((FOLDER / f"{name}.schema.json").read_bytes()), format_checker=CHECKER)


def example(name: str) -> dict:
    """An example as jsonschema and people read it: by the standard library, not by our codec."""
    return json.loads(EXAMPLES[name])


@pytest.fixture(scope="module")
def document() -> dict:
    """The AsyncAPI document as published, read as the YAML that its name promises."""
    return yaml.safe_load((FOLDER / "asyncapi.yaml").read_text(encoding="utf-8"))


def test_the_folder_is_what_the_command_writes(tmp_path):
    """A schema that was not written anew after a change of the models (`make schemas`) is seen here."""
    subprocess.run([MAKEWEIGHT, "schemas", "--out", tmp_path], check=True)
    written = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert sorted(written) == sorted([*(f"{name}.schema.json" for name in SCHEMAS), "asyncapi.yaml"])
    assert {path.name: path.read_bytes() for path in FOLDER.iterdir()} == written


def test_every_message_has_an_example():
    """The catalogue, the schemas and the examples name the same messages."""
    assert set(EXAMPLES) == set(SCHEMAS) == {topic.schema for topic in TOPICS}


@pytest.mark.parametrize("name", SCHEMAS)
def test_schema_is_valid(name):
    """Source: the JSON Schema 2020-12 meta-schema, by jsonschema."""
    published = validator(name).schema
    Draft202012Validator.check_schema(published)
    assert published["$schema"] == DIALECT == Draft202012Validator.META_SCHEMA["$id"]
    assert published["$id"] == f"urn:makeweight:schema:{name}:v1"


@pytest.mark.parametrize("name", SCHEMAS)
def test_example_holds(name):
    """Source: JSON Schema 2020-12 validation by jsonschema, formats checked. The file has the example that code has."""
    published = validator(name)
    published.validate(example(name))
    assert published.schema["examples"] == [example(name)]


@pytest.mark.parametrize("name", ["order-event", "fulfilment-event", "ledger-command", "decision", "notice"])
def test_date_times_are_checked(name):
    """Source: RFC 3339 by rfc3339-validator. Without that package jsonschema takes 'nope' for a date-time."""
    member = next(m for m in ("placed_at", "at") if m in example(name))
    published = validator(name)
    assert [e.validator for e in published.iter_errors({**example(name), member: "nope"})][:1] in (
        ["format"],
        ["oneOf"],
    )
    assert not published.is_valid({**example(name), member: "2026-11-24T10:00:00"})  # no offset


@pytest.mark.parametrize("name", SCHEMAS)
def test_example_comes_back_through_the_codec(name):
    """Reading an example and writing it again loses nothing and adds nothing but defaults."""
    if name == "campaign":
        kept = SCHEMAS[name].loads(EXAMPLES[name])
        written = kept.model_dump(mode="json", by_alias=True, exclude_unset=True)
    else:
        written = json.loads(dumps(SCHEMAS[name].loads(EXAMPLES[name])))
    assert written == example(name)


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("order-event", {"revision": 0}),
        ("order-event", {"status": "gone"}),
        ("order-event", {"currency": "eur"}),
        ("order-event", {"discount": 1.5}),
        ("order-event", {"placed_at": 1_764_000_000}),
        ("order-event", {"lines": [{"number": 1, "sku": "INK-7", "units": -1, "total_charged": 1}]}),
        ("fulfilment-event", {"happened": "lost"}),
        ("fulfilment-event", {"extra": 1}),
        ("campaign", {"markets": []}),
        ("campaign", {"offers": []}),
        ("campaign", {"from": "tomorrow"}),
    ],
)
def test_schema_and_codec_refuse_alike(name, change):
    """What the published schema refuses, the program refuses: senders can check before they send."""
    wrong = {**example(name), **change}
    assert not validator(name).is_valid(wrong)
    with pytest.raises(ValueError, match=next(iter(change)).replace("from", "from|pattern")):
        SCHEMAS[name].loads(orjson.dumps(wrong))


def test_unknown_members_of_an_order_ride_to_the_ticket():
    """Contract: unknown members of an order are carried through to the ticket untouched, those of its lines too."""
    opaque = {"ship_to": {"name": "Å. Example", "lines": [1, None, True, {"deep": []}]}, "instructions": "ring twice"}
    wire = {**example("order-event"), **opaque}
    wire["lines"] = [{**wire["lines"][0], "engraving": {"text": "for M."}}]
    assert validator("order-event").is_valid(wire)
    ticket = _ticket_of(dumps(wire))
    assert ticket.order_parts == opaque
    said = json.loads(dumps(ticket))
    assert said["order_parts"] == opaque
    assert said["lines"][0]["engraving"] == {"text": "for M."}
    assert validator("pick-ticket").is_valid(said)
    assert json.loads(dumps(SCHEMAS["pick-ticket"].loads(dumps(said)))) == said


def _ticket_of(body: bytes) -> PickTicket:
    order = ORDER.loads(body)
    desk = Node(Desk())
    view = View(Book(), Instant.fromisoformat("2026-11-24T10:00:01+00:00"))
    verdict = desk.stage.decide(desk.store, Message(order), view)
    subjects = [s for entry in verdict.entries for s in desk.stage.fold(desk.store, entry)]
    said = [o.body for s in subjects for o in desk.stage.say(desk.store, s) if o.channel == "pick-tickets"]
    assert len(said) == 1
    return said[0]


@pytest.mark.parametrize(
    "place", [[], ["offers", 0], ["offers", 0, "counts"], ["offers", 0, "gives"], ["offers", 0, "caps"], ["gifts", 0]]
)
def test_unknown_member_of_a_campaign_is_refused(place):
    """Contract: campaigns are strict, at every depth."""
    wrong = example("campaign")
    at = wrong
    for step in place:
        at = at[step]
    at["colour"] = "red"
    assert not validator("campaign").is_valid(wrong)
    with pytest.raises(ValueError, match=r"unknown member 'colour'"):
        SCHEMAS["campaign"].loads(orjson.dumps(wrong))


def test_asyncapi_lists_the_topics(document):
    """AsyncAPI 3.0.0 (asyncapi.com): channels with addresses, and what the program does with each."""
    assert document["asyncapi"] == "3.0.0"
    assert {"title", "version"} <= document["info"].keys()  # required by the specification
    assert sorted(c["address"] for c in document["channels"].values()) == sorted(t.name for t in TOPICS)
    done = {t.name: set() for t in TOPICS}
    for operation in document["operations"].values():
        channel = operation["channel"]["$ref"].removeprefix("#/channels/")
        done[document["channels"][channel]["address"]].add(operation["action"])
    expected = {"in": {"receive"}, "out": {"send"}, "inside": {"receive", "send"}}
    assert done == {t.name: expected[t.direction] for t in TOPICS}


def test_asyncapi_payloads_exist(document):
    """Every payload of the document is a schema file beside it: the one that the catalogue names."""
    by_address = {c["address"]: c for c in document["channels"].values()}
    for topic in TOPICS:
        messages = by_address[topic.name]["messages"]
        references = [m["payload"]["$ref"] for m in messages.values()]
        assert [(FOLDER / r).resolve().name for r in references] == [f"{topic.schema}.schema.json"]
        assert all((FOLDER / r).is_file() for r in references)


@pytest.mark.parametrize(
    ("partitions", "topics"),
    [
        ("order", {"orders.v1", "fulfilment.v1", "decisions.v1", "order-log.v1"}),
        ("offer", {"ledger-commands.v1", "ledger-log.v1"}),
    ],
)
def test_topics_of_one_stage_share_partitions(partitions, topics):
    """Architecture: a stage's inputs and its log have one partition count and one key, so that equal keys meet."""
    shared = [t for t in TOPICS if t.name in topics]
    assert {t.name for t in shared} == topics
    assert {t.partitions for t in shared} == {partitions}
    assert len({t.key for t in shared}) == 1


def test_schema_of_code_and_file_agree_on_strictness():
    """An order's schema allows members it doesn't know; a campaign's and a warehouse fact's do not."""
    assert schema("order-event").get("additionalProperties", True) is not False
    assert schema("campaign")["additionalProperties"] is False
    assert schema("fulfilment-event")["additionalProperties"] is False
