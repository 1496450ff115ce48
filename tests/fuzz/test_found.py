"""What fuzzing found: each input by name, and what is said of it since. The inputs themselves stand in `corpus/`."""

import re

import pytest

from makeweight.adapters.documents.campaigns import read_file
from makeweight.adapters.documents.files import FileError, FileErrors
from makeweight.adapters.documents.stock import read_stock
from makeweight.adapters.documents.table import Reading, Table
from makeweight.adapters.kafka.follower import read_revision
from makeweight.adapters.kafka.wire import Record, read
from makeweight.bootstrap import ReplayRequest, run_replay
from makeweight.contracts.campaigns import DocumentError, read_campaign
from makeweight.contracts.codec import dumps, parse
from makeweight.contracts.examples import EXAMPLES
from makeweight.contracts.orders import read_order
from makeweight.contracts.problems import MAX_ERRORS, WireError
from tests.fuzz.seeds import parquet_of
from tests.fuzz.targets import BOOK, NOW, TARGETS
from tests.fuzz.test_fuzz import CORPUS, ODD_COLUMNS

ORDER, CAMPAIGN = EXAMPLES["order-event"], EXAMPLES["campaign"]


def kept(name: str) -> bytes:
    """An input of the corpus, by target and name."""
    return (CORPUS / name).read_bytes()


@pytest.mark.parametrize("name", ["", "_ref", "__dict__", "__class__"])
def test_members_of_any_name_are_carried(name):
    """Left to itself, orjson loses members of a dataclass with an underscore and ends the process at an empty name."""
    body = {**parse(ORDER), name: "v"}
    body["lines"][0] = {**body["lines"][0], name: "v"}
    written = parse(dumps(read_order(dumps(body))))
    assert (written[name], written["lines"][0][name]) == ("v", "v")


@pytest.mark.parametrize("name", ["nan-member", "infinity-nested", "float-beyond-all", "integer-of-30-digits"])
@pytest.mark.parametrize("target", ["order-binary", "event-structured", "event-modes", "orders-jsonl"])
def test_numbers_that_no_log_holds_are_refused(name, target):
    """NaN and infinity became null in binary mode, and long integers lost their digits in structured mode."""
    outcome = TARGETS[target](kept(f"{target}/{name}"))
    ((code, sentence),) = outcome.refusals
    assert code == "malformed"
    assert "can't be carried through" in sentence or "not JSON" in sentence


@pytest.mark.parametrize("target", ["order-binary", "event-structured", "event-modes", "orders-jsonl"])
@pytest.mark.parametrize("name", ["member-nested-200", "line-member-nested-198"])
def test_nesting_that_the_log_cannot_hold_is_refused(name, target):
    """The reader took it, and could not read the log entry, which holds the order one level deeper: no restart."""
    ((code, sentence),) = TARGETS[target](kept(f"{target}/{name}")).refusals
    assert code == "malformed"
    assert "nested more than 64 times" in sentence


@pytest.mark.parametrize(
    ("name", "place"),
    [("window-in-year-1", "from"), ("window-in-year-9999", "until"), ("effective-before-year-1", "effective")],
)
def test_campaign_at_the_edge_of_the_calendar(name, place):
    """It was an OverflowError, and ended the thread that follows the campaigns."""
    with pytest.raises(DocumentError, match=f"{place}: .*expected a time between the years 1 and 9999 of UTC"):
        read_campaign(kept(f"campaign-json/{name}"))


def test_cap_of_30_digits():
    """The claim that carries such a cap could not be written."""
    with pytest.raises(DocumentError, match=re.escape("offers.0.caps.total: input should be less than")):
        read_campaign(kept("campaign-json/cap-of-30-digits"))


def test_faults_are_told_up_to_a_number():
    """A near name is looked for only so often: 420 wrong names among 300 gifts took five seconds."""
    with pytest.raises(DocumentError) as refused:
        read_campaign(kept("campaign-json/many-wrong-gift-names"))
    assert len(refused.value.faults) == MAX_ERRORS


def test_campaign_that_one_reader_takes():
    """Of `campaign`, which stands there twice, only the other reader of JSON minds that the first is NaN."""
    with pytest.raises(WireError, match="not JSON"):
        read_revision(kept("campaign-json/campaign-twice-first-nan"))


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("escape-out-of-range", "out of range"),
        ("version-of-5000-digits", "out of range"),
        ("lone-surrogate", ":33: holds half a character"),
        ("name-with-lone-surrogate", ":1: holds half a character"),
        ("name-is-a-list", ":1: a list or a mapping can't be a name"),
        ("name-is-aliases-of-aliases", ":1: a list or a mapping can't be a name"),
    ],
)
def test_yaml_that_is_no_campaign(name, text, tmp_path):
    """The parser's own exceptions, and texts that nothing can store."""
    path = tmp_path / "c.yaml"
    path.write_bytes(kept(f"campaign-yaml/{name}"))
    with pytest.raises(FileErrors, match=text):
        read_file(path)


def test_csv_field_without_end(tmp_path):
    """Longer than the csv module takes, in a row or in the header."""
    path = tmp_path / "f.csv"
    path.write_text("gift,site,units\n" + "x" * 140_000 + ",main,1\n")
    with pytest.raises(FileErrors, match="cannot be read as CSV: field larger"):
        read_stock(path, BOOK, NOW)
    path.write_text("x" * 140_000 + ",order_id,placed_at,units,line_total\n")
    with pytest.raises(FileError, match="cannot be read as a table: field larger"):
        Table(path, Reading({}, None, "EUR", "IE"))


@pytest.mark.parametrize("column", ["category", "placed_at", "order_id"])
def test_parquet_column_of_an_odd_type(column, tmp_path):
    """It is found when the rows are read, and ends the command with a message all the same."""
    lines, campaign = tmp_path / "l.parquet", tmp_path / "c.yaml"
    lines.write_bytes(parquet_of({column: ODD_COLUMNS["struct"]}))
    campaign.write_bytes(CAMPAIGN)
    with pytest.raises(FileErrors, match=rf"l\.parquet: {column} \(struct<a: int64>\) cannot be read"):
        run_replay(ReplayRequest(campaigns=[campaign], lines=lines))


@pytest.mark.parametrize(
    ("channel", "name"),
    [("ledger-commands", "ledger-command/units-of-30-digits"), ("decisions", "decision/figure-of-30-digits")],
)
def test_message_that_no_log_holds_is_rejected(channel, name):
    """It failed where the batch is written, outside of what puts a single input aside, in every worker anew."""
    body = kept(name)
    key = parse(body)["offer" if channel == "ledger-commands" else "order"].encode()
    one = read(channel, Record(channel, 0, 0, key, body, []))
    assert one.error is not None
    assert "can't be carried through" in one.error.sentence
