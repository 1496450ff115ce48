"""One function for each decoder: bytes in, an outcome out, and the contract checked on the way.

A decoder returns a value or raises the project's own error, whose code and sentence say something and can be stored.
What it accepts can be written, and what was written reads as the same. ``Broken`` where one of these does not hold; any
other exception is a finding as well. How long an input may take is for the caller: to watch a decoder slows it down.
"""

import json
import tempfile
from collections.abc import Callable
from contextlib import suppress
from datetime import timedelta
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from makeweight.adapters.documents.campaigns import read_file
from makeweight.adapters.documents.files import FileError, FileErrors
from makeweight.adapters.documents.orders import read_stream
from makeweight.adapters.documents.prices import read_prices
from makeweight.adapters.documents.reports import read_reports
from makeweight.adapters.documents.stock import read_stock
from makeweight.adapters.documents.table import Reading, Table
from makeweight.adapters.hosting import Incoming
from makeweight.adapters.http.app import BATCH, STRUCTURED, read_events
from makeweight.adapters.kafka.follower import read_revision
from makeweight.adapters.kafka.wire import BY_CHANNEL, Names, Record, entry_of, read, rejected
from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.codec import canonical, dumps
from makeweight.contracts.examples import EXAMPLES
from makeweight.contracts.messages import COMMAND, DECISION
from makeweight.contracts.orders import digest, read_fulfilment, read_order
from makeweight.contracts.problems import WireError
from makeweight.contracts.topics import MAX_EVENT_BYTES, MAX_RECORD_BYTES
from makeweight.domain.book import Book
from makeweight.domain.entries import Reported
from makeweight.domain.moments import Instant
from makeweight.domain.orders import Fulfilment, Order
from makeweight.domain.values import replaced, value
from makeweight.planning.closing import REPORT, OtherBooks, close
from makeweight.planning.reductions import reductions

NAMES = Names()
NOW = Instant.fromisoformat("2026-11-24T10:00:00+00:00")
JUDGED = entry_of("desk", EXAMPLES["desk-entry"])
FACT = read_fulfilment(EXAMPLES["fulfilment-event"])
REPORTED = Reported("r", FACT.order, FACT, "", "main", {}, [], {}, {}, NOW)
BOOK = Book([read_campaign(EXAMPLES["campaign"])])


class Broken(AssertionError):
    """The contract of a decoder does not hold for an input."""


@value
class Outcome:
    """What a decoder made of an input: ``found`` is what was accepted, ``refusals`` the codes and sentences."""

    found: list[Any]
    refusals: list[tuple[str, str]]


Target = Callable[[bytes], Outcome]
TARGETS: dict[str, Target] = {}


def target(decoder: Target) -> Target:
    """Enter a decoder under its name with dashes; its refusals say something, and they can be stored."""

    def checked(data: bytes) -> Outcome:
        outcome = decoder(data)
        for code, sentence in outcome.refusals:
            _hold(code.isidentifier(), f"code {code!r}")
            _hold(bool(sentence.strip()), "an empty sentence")
            _storable(sentence)
        return outcome

    TARGETS[decoder.__name__.replace("_", "-")] = checked
    return checked


def _hold(condition: bool, what: str) -> None:
    if not condition:
        raise Broken(what)


def _storable(sentence: str) -> None:
    try:
        sentence.encode()
    except UnicodeEncodeError:
        raise Broken(f"the sentence is no UTF-8: {sentence!r}") from None


def _guess(data: bytes, name: str) -> bytes:
    """A member of a JSON object as a record's key, so that most inputs come past the check of keys."""
    with suppress(ValueError, RecursionError):
        parsed = json.loads(data)
        if isinstance(parsed, dict):
            parsed = parsed.get("data") if "specversion" in parsed else parsed
        if isinstance(parsed, dict):
            return str(parsed.get(name, "")).encode(errors="replace")
    return b""


def _record(channel: str, data: bytes, key: bytes, headers: list[tuple[str, bytes | None]]) -> Incoming:
    """A record through the Kafka adapter; a refusal must fit into a record of its own, with the bytes it is about."""
    one = read(channel, Record(BY_CHANNEL[channel].name, 0, 0, key, data, headers))
    if one.error is not None and len(data) <= MAX_EVENT_BYTES:
        reject = rejected(NAMES, one, one.error.code, one.error.sentence)
        _hold(len(reject.value) <= MAX_RECORD_BYTES, "the reject is larger than a record may be")
    return one


def _outcome(*taken: Incoming) -> Outcome:
    return Outcome(
        [one.body for one in taken if one.error is None],
        [(one.error.code, one.error.sentence) for one in taken if one.error is not None],
    )


def _event_again(one: Incoming) -> None:
    """An accepted event keeps its content where it is written, undeclared members and all."""
    if one.error is None:
        _hold(one.digest == digest(one.body), "the digest is not the body's")
        _body_again(one.body, one.digest)


def _body_again(body: Order | Fulfilment, known_by: str) -> None:
    """Written by itself and inside of a log entry, and read again: an entry that nobody can read stops its worker."""
    if isinstance(body, Order):
        again: Any = read_order(dumps(body))
        logged = entry_of("desk", dumps(replaced(JUDGED, order=body))).order
    else:
        again = read_fulfilment(dumps(body))
        logged = entry_of("desk", dumps(replaced(REPORTED, fact=body))).fact
    _hold(digest(again) == known_by, "it reads otherwise after it was written")
    _hold(digest(logged) == known_by, "it reads otherwise in the log")


def _binary(channel: str, data: bytes) -> Outcome:
    head, blank, body = data.partition(b"\n\n")
    headers: list[tuple[str, bytes | None]] = []
    for line in head.split(b"\n") if blank else ():
        name, colon, text = line.partition(b": ")
        headers.append((name.decode(errors="replace"), text if colon else None))
    one = _record(channel, body, _guess(body, "order"), headers)
    _event_again(one)
    return _outcome(one)


@target
def order_binary(data: bytes) -> Outcome:
    """An order event as a Kafka record: lines `name: text` are the headers, what follows a blank line is the body."""
    return _binary("orders", data)


@target
def fulfilment_binary(data: bytes) -> Outcome:
    """A fulfilment event in the same form."""
    return _binary("fulfilment", data)


def _request(kind: str, data: bytes) -> Any:
    # The endpoint asks a request only for these two.
    return read_events(SimpleNamespace(content_type=kind, headers={}), data)


@target
def event_structured(data: bytes) -> Outcome:
    """A structured event, over HTTP and as a Kafka record: both readings say the same."""
    (one,) = _request(STRUCTURED, data)
    _event_again(one)
    channel = one.topic
    other = _record(channel, data, _guess(data, "order"), [("content-type", STRUCTURED.encode())])
    if one.error is None and len(data) <= MAX_EVENT_BYTES:
        _hold((other.digest, other.source, other.id) == (one.digest, one.source, one.id), "HTTP and Kafka differ")
    return _outcome(one)


@target
def event_batch(data: bytes) -> Outcome:
    """A batch of structured events over HTTP."""
    try:
        taken = _request(BATCH, data)
    except WireError as error:
        return Outcome([], [(error.code, error.sentence)])
    for one in taken:
        _event_again(one)
    return _outcome(*taken)


@target
def event_modes(data: bytes) -> Outcome:
    """Order data alone: if both modes accept it, they say the same.

    One may refuse what the other accepts: of a member that stands there twice the last counts, and only one of the two
    readers of JSON minds what the first one was.
    """
    envelope = b'{"specversion":"1.0","id":"1","source":"s","type":"com.makeweight.order.v1","data":%s}' % data
    (structured,) = _request(STRUCTURED, envelope)
    try:
        order = read_order(data)
        known_by = digest(order)
    except WireError as error:
        return Outcome([], [(error.code, error.sentence)])
    _hold(structured.error is not None or structured.digest == known_by, "the modes differ")
    _body_again(order, known_by)
    return Outcome([order], [])


def _inside(channel: str, codec: Any, name: str, data: bytes) -> Outcome:
    one = _record(channel, data, _guess(data, name), [])
    if one.error is None:
        _hold(codec.loads(dumps(one.body)) == one.body, "it reads otherwise after it was written")
    return _outcome(one)


@target
def ledger_command(data: bytes) -> Outcome:
    """What the desk or a person says to the ledger."""
    return _inside("ledger-commands", COMMAND, "offer", data)


@target
def decision(data: bytes) -> Outcome:
    """What the ledger says to the desk."""
    return _inside("decisions", DECISION, "order", data)


def _entry(stage: str, data: bytes) -> Outcome:
    try:
        entry = entry_of(stage, data)
    except WireError as error:
        return Outcome([], [(error.code, error.sentence)])
    try:
        written = dumps(entry)
    except TypeError:
        # Beyond 64 bits or nested without end. A log holds what `dumps` wrote, so neither can stand there.
        return Outcome([], [])
    again = dumps(entry_of(stage, written))
    _hold(again == written, "it reads otherwise after it was written")
    return Outcome([entry], [])


@target
def desk_entry(data: bytes) -> Outcome:
    """A record of the desk's log."""
    return _entry("desk", data)


@target
def ledger_entry(data: bytes) -> Outcome:
    """A record of the ledger's log."""
    return _entry("ledger", data)


@target
def campaign_json(data: bytes) -> Outcome:
    """A campaign's record on its topic, and the form in which two revisions are compared."""
    try:
        campaign, content = read_revision(data)
    except WireError as error:
        return Outcome([], [(error.code, error.sentence)])
    _hold(read_campaign(content) == campaign, "its canonical form reads otherwise")
    return Outcome([campaign], [])


def _file(suffix: str, data: bytes, use: Callable[[Path], list[Any]]) -> Outcome:
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        path = Path(folder) / f"input{suffix}"
        path.write_bytes(data)
        try:
            return Outcome(use(path), [])
        except FileError as error:
            errors = [error]
        except FileErrors as several:
            errors = several.errors
        _hold(bool(errors), "refused without a fault")
        _hold(all(error.path == path and (error.line or 1) > 0 for error in errors), "a fault without its place")
        return Outcome([], [("file", error.text) for error in errors])


@target
def campaign_yaml(data: bytes) -> Outcome:
    """A campaign file."""

    def use(path: Path) -> list[Any]:
        file = read_file(path)
        _hold(read_campaign(dumps(file.document)) == file.campaign, "it reads otherwise after it was published")
        _hold(read_campaign(canonical(file.document)) == file.campaign, "its canonical form reads otherwise")
        return [file.campaign]

    return _file(".yaml", data, use)


@target
def stock_csv(data: bytes) -> Outcome:
    """A stock file; its receipts go to the ledger as commands."""

    def use(path: Path) -> list[Any]:
        receipts = read_stock(path, BOOK, NOW)
        _hold([COMMAND.loads(dumps(one)) for one in receipts] == receipts, "a receipt is no command")
        return list(receipts)

    return _file(".csv", data, use)


@target
def prices_csv(data: bytes) -> Outcome:
    """A price history; whatever it holds, a prior price or why there is none can be told."""

    def use(path: Path) -> list[Any]:
        histories = read_prices(path, "EUR", "Europe/Dublin")
        dumps(reductions(histories, NOW, dict.fromkeys((one.sku for one in histories), 1), progressive=True))
        return list(histories)

    return _file(".csv", data, use)


@target
def reports_jsonl(data: bytes) -> Outcome:
    """The editions of closed books; what is read can be closed again, or is refused as other books."""

    def use(path: Path) -> list[Any]:
        reports = read_reports(path)
        _hold([REPORT.loads(dumps(one)) for one in reports] == reports, "it reads otherwise after it was written")
        for one in reports:
            with suppress(OtherBooks):
                close({}, one.ends, one.watermark, timedelta(0), one)
        return list(reports)

    return _file(".jsonl", data, use)


def _table(path: Path) -> list[Any]:
    table = Table(path, Reading({}, None, "EUR", "IE"))
    orders = list(table.orders())
    _hold(bool(table.told) == bool(table.rejected), "rows are kept out and nothing is told")
    for text in table.told:
        _hold(text.startswith(f"{path}:"), "a wrong row without its place")
        _storable(text)
    for order in orders:
        dumps(order)
    return orders


@target
def lines_csv(data: bytes) -> Outcome:
    """A table of order lines as CSV."""
    return _file(".csv", data, _table)


@target
def lines_parquet(data: bytes) -> Outcome:
    """The same as Parquet."""
    return _file(".parquet", data, _table)


@target
def orders_jsonl(data: bytes) -> Outcome:
    """A file of events, one a line."""
    lines = list(read_stream(BytesIO(data), "input.jsonl"))
    for line in lines:
        if line.body is not None:
            _body_again(line.body, line.digest)
    return Outcome(
        [line.body for line in lines if line.error is None],
        [(line.error.code, line.error.sentence) for line in lines if line.error is not None],
    )
