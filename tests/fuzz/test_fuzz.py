"""Every decoder, for whatever bytes: a value or the project's own error, in time, and what it accepts it can write.

The contract is checked inside of `tests.fuzz.targets`. The search is the profile's: the same examples in every run of
CI. `FUZZ_EXAMPLES=2000` looks further, and `python -m tests.fuzz` does so guided by coverage.
"""

import json
import os
import time
from pathlib import Path

import orjson
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from makeweight.contracts.examples import EXAMPLES
from tests.fuzz.mutations import STRANGE, bytes_changed, json_changed, json_made
from tests.fuzz.seeds import ORDER, SEEDS, binary, parquet, parquet_of, structured
from tests.fuzz.targets import TARGETS

CORPUS = Path(__file__).parent / "corpus"
KEPT = sorted(CORPUS.glob("*/*"))
NO_JSON = ("campaign-yaml", "stock-csv", "prices-csv", "reports-jsonl", "lines-csv", "lines-parquet", "orders-jsonl")
JSON = [name for name in TARGETS if name not in NO_JSON]
# Many decoders, and one test each for several kinds of input: few examples of each keep them under half a minute.
EACH = int(os.environ.get("FUZZ_EXAMPLES", "40"))
search = settings(max_examples=EACH, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


SECONDS = 10.0  # for one input: the slowest that is known, YAML of a thousand brackets, takes a tenth of it


def run(name: str, data: bytes) -> None:
    """One input through a target, in time; Hypothesis' statistics tell how much of it was accepted."""
    started = time.perf_counter()
    outcome = TARGETS[name](data)
    assert time.perf_counter() - started < SECONDS
    event(f"{'accepted' if outcome.found else 'refused'}{' in part' if outcome.found and outcome.refusals else ''}")


def test_every_target_has_seeds():
    """A target whose good inputs are refused would look at refusals alone."""
    assert SEEDS.keys() == TARGETS.keys()
    for name, seeds in SEEDS.items():
        for seed in seeds:
            outcome = TARGETS[name](seed)
            assert outcome.found, (name, outcome.refusals)


@pytest.mark.parametrize("path", KEPT, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_kept_input(path):
    """Each input that ever found something, or that a reader might stumble over, named after what it is."""
    started = time.perf_counter()
    TARGETS[path.parent.name](path.read_bytes())
    assert time.perf_counter() - started < SECONDS


def test_corpus_is_of_the_targets():
    """A folder that belongs to no target would be replayed by nobody."""
    assert {path.parent.name for path in KEPT} <= TARGETS.keys()
    assert [path.name for path in KEPT if path.stat().st_size > 20_000] == []


@pytest.mark.parametrize("name", TARGETS)
@search
@given(data=st.data())
def test_any_bytes(name, data):
    """Bytes from nowhere."""
    run(name, data.draw(st.binary(max_size=400)))


@pytest.mark.parametrize("name", TARGETS)
@search
@given(data=st.data())
def test_bytes_of_a_good_input_changed(name, data):
    """Flips, cuts, repetitions, and pieces that readers of JSON, YAML and CSV stumble over."""
    run(name, data.draw(bytes_changed(SEEDS[name])))


def _bare(name: str) -> list[bytes]:
    """The JSON in a target's good inputs."""
    return [seed.partition(b"\n\n")[2] or seed for seed in SEEDS[name]]


def _dressed(name: str, body: bytes) -> bytes:
    """JSON as a target takes it."""
    if name.endswith("-binary"):
        return binary(name.removesuffix("-binary"), body)
    return body


@pytest.mark.parametrize("name", JSON)
@search
@given(data=st.data())
def test_members_of_a_good_input_changed(name, data):
    """Members replaced by what JSON can hold and by what is taken for JSON; removed, doubled, renamed."""
    run(name, _dressed(name, data.draw(json_changed(_bare(name)))))


@pytest.mark.parametrize("name", JSON)
@search
@given(data=st.data())
def test_json_of_our_words(name, data):
    """JSON that is made of our names and words, in any shape."""
    body = data.draw(json_made())
    run(name, _dressed(name, b"[" + body + b"]" if name == "event-batch" else body))


@search
@given(data=st.data())
def test_changed_campaign_as_a_file(data):
    """JSON is YAML: what the JSON reader is given, the file reader is given too."""
    run("campaign-yaml", data.draw(json_changed(SEEDS["campaign-json"])))


@search
@given(data=st.data())
def test_changed_lines_between_good_ones(data):
    """A wrong line of a file leaves its neighbours alone, unless it holds an end of line itself."""
    changed = data.draw(json_changed([ORDER, EXAMPLES["fulfilment-event"]]))
    outcome = TARGETS["orders-jsonl"](b"\n".join([ORDER, changed, ORDER]))
    assert len(outcome.found) + len(outcome.refusals) == 3
    assert len(outcome.found) >= 2


@search
@given(data=st.data())
def test_table_cells(data):
    """Cells that are nearly right, in a table that is whole."""
    cell = st.one_of(
        st.sampled_from(["A", "", "1", "-1", "1.5", "5.00", "1e9", "nan", "9" * 5_000, "\u0661", "2026-11-24T10:00Z"]),
        st.sampled_from(["0001-01-01T00:00+10:00", "2026-W48-2", "20261124", "24:00", "goods", "placed", '"', "a\0b"]),
        st.text(st.characters(codec="utf-8"), max_size=8),
    )
    rows = data.draw(st.lists(st.lists(cell, min_size=4, max_size=5), max_size=6))
    text = "order_id,placed_at,units,line_total\n" + "\n".join(",".join(row) for row in rows)
    run("lines-csv", text.encode())
    stock = "gift,site,units,offer\n" + "\n".join(",".join(row[:4]) for row in rows)
    run("stock-csv", stock.encode())
    prices = "sku,market,from,price\n" + "\n".join(",".join(row[:4]) for row in rows)
    run("prices-csv", prices.encode())


ODD_COLUMNS = {
    "list": pa.array([[1]]),
    "struct": pa.array([{"a": 1}]),
    "no UTF-8": pa.array([b"\xff"]),
    "codes of no UTF-8": pa.array([b"\xff"]).dictionary_encode(),
    "date": pa.array([20_000], pa.date32()),
    "date beyond all": pa.array([2**62], pa.date64()),
    "time": pa.array([1], pa.time64("us")),
    "nanoseconds": pa.array([10**18 + 1], pa.timestamp("ns", "UTC")),
    "zone that nobody knows": pa.array([10**12], pa.timestamp("us", "Moon/Base")),
    "offset of 25 hours": pa.array([10**12], pa.timestamp("us", "+25:00")),
    "duration": pa.array([1], pa.duration("s")),
    "map": pa.array([[("a", 1)]], pa.map_(pa.string(), pa.int32())),
    "nulls": pa.array([None]),
    "boolean": pa.array([True]),
    "NaN": pa.array([float("nan")]),
    "64 bits": pa.array([2**64 - 1], pa.uint64()),
    "view": pa.array(["A"], pa.string_view()),
}


@pytest.mark.parametrize("kind", ODD_COLUMNS)
def test_parquet_of_odd_types(kind):
    """Any column may have any type that Parquet has: it is read, or the file is refused."""
    for name in ("order_id", "placed_at", "units", "line_total", "customer", "category", "kind", "status"):
        TARGETS["lines-parquet"](parquet_of({name: ODD_COLUMNS[kind]}))


def test_nanoseconds_are_read():
    """Times as pandas writes them, in nanoseconds; those that are no whole microsecond were an exception."""
    outcome = TARGETS["lines-parquet"](parquet_of({"placed_at": ODD_COLUMNS["nanoseconds"]}))
    assert outcome.found[0].placed_at.isoformat() == "2001-09-09T01:46:40+00:00"


SECRET = "Xylo Qvist"  # noqa: S105 - stands for a person's data


@search
@given(data=st.data())
def test_no_refusal_quotes_personal_data(data):
    """Contract of `WireError`: its sentence holds no personal data, whatever else is wrong with the event."""
    order = json.loads(ORDER)
    order |= {"customer": SECRET, "ship_to": {"name": SECRET, "lines": [SECRET]}, "note": SECRET}
    order["destination"] = data.draw(
        st.sampled_from([SECRET, [SECRET], {"country": SECRET, "lane": SECRET}, {"area": [SECRET]}])
    )
    order["customer"] = data.draw(st.sampled_from([SECRET, [SECRET], {"name": SECRET}, SECRET + "\x00", SECRET * 20]))
    order["lines"][0]["engraving"] = SECRET
    if data.draw(st.booleans()):
        del order[data.draw(st.sampled_from(["market", "status", "order"]))]
    name = data.draw(st.sampled_from(["note", "market", "discount", "paid_at", "hold"]))
    text = orjson.dumps({**order, name: "@"}).replace(b'"@"', data.draw(st.sampled_from(STRANGE)))
    text = text[: data.draw(st.one_of(st.none(), st.integers(0, len(text))))]
    kind = "com.makeweight.order.v1"
    whole = structured(kind, text)
    for target, body in (
        ("order-binary", binary("order", text)),
        ("event-structured", whole),
        ("event-batch", b"[" + whole + b"]"),
        ("orders-jsonl", text),
    ):
        for _, sentence in TARGETS[target](body).refusals:
            assert SECRET not in sentence


def test_parquet_cut_anywhere():
    """A file that broke off while it was copied."""
    whole = parquet()
    for end in range(0, len(whole), 37):
        assert not TARGETS["lines-parquet"](whole[:end]).found
