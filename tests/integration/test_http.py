"""The HTTP endpoint: what senders are told, what is kept, and what Prometheus reads.

Most tests build the service in this process, with a clock of their own; the last ones start the command.
"""

import asyncio
import http.client
import json
import sqlite3
import subprocess
import sys
import time
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from aiohttp.test_utils import TestClient, TestServer
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from makeweight.adapters.http.app import MAX_BATCH, MAX_BODY_BYTES, MAX_TICKETS, incoming
from makeweight.adapters.local.database import FILE_NAME
from makeweight.adapters.local.intake import NotTaken
from makeweight.bootstrap import Embedded, publish_files
from makeweight.contracts.events import FULFILMENT_TYPE, ORDER_TYPE, read_line
from makeweight.settings import Settings

MAKEWEIGHT = Path(sys.executable).parent / "makeweight"
PUBLISHED = datetime(2026, 11, 22, tzinfo=UTC)
NOW = datetime(2026, 11, 24, 10, 0, 5, tzinfo=UTC)
CAMPAIGN = """\
campaign: week
title: A week
markets: [IE]
currency: EUR
zone: Europe/Dublin
from: 2026-11-23 00:00
until: 2026-11-30 00:00
gifts:
  - {gift: TIN, title: Tin, stated_value: 600, cautions: {dangerous_goods: none, age: none, food: none}}
offers:
  - {offer: tin, says: A tin from 40 on., counts: {by: total, at_least: 4000}, gives: {gift: TIN}}
"""
CUSTOMER, ADDRESS = "customer-key-4711", "1 Placeholder Lane"
STRUCTURED, BATCH = "application/cloudevents+json", "application/cloudevents-batch+json"
Answer = tuple[int, dict[str, str], bytes]


def order(number: int, charged: int = 4000, **members: Any) -> dict:
    """An order as a shop sends it: with a customer key, and an address that is none of our business."""
    at = "2026-11-24T10:00:00Z"
    line = {"number": 1, "sku": "S", "units": 1, "total_charged": charged}
    head = {"order": f"O{number}", "revision": 1, "status": "placed", "placed_at": at, "revised_at": at}
    rest = {"market": "IE", "currency": "EUR", "customer": CUSTOMER, "ship_to": {"street": ADDRESS}}
    return {**head, **rest, "lines": [line], **members}


def event(data: Any, **attributes: Any) -> dict:
    """A structured CloudEvent."""
    base = {"specversion": "1.0", "id": "e1", "source": "/shop", "type": ORDER_TYPE}
    return {**base, **attributes, "data": data}


def fact(number: int, ticket: str, happened: str = "packed") -> dict:
    """What the warehouse says."""
    what = {"event": f"w{number}-{happened}", "order": f"O{number}", "ticket": ticket, "happened": happened}
    return {**what, "at": "2026-11-24T11:00:00Z"}


def problem(answer: Answer, status: int) -> dict:
    """The body of a refusal, which is a problem of RFC 9457: its media type, and its members with their types."""
    assert answer[0] == status
    assert answer[1]["Content-Type"].split(";")[0] == "application/problem+json"
    body = json.loads(answer[2])
    assert body["status"] == status
    assert all(isinstance(body[name], str) for name in ("type", "title", "detail"))
    return body


class Service:
    """The embedded service in this process, asked over HTTP."""

    def __init__(self, state: Path, **settings: Any) -> None:
        self.state, self.closed = state, False
        self.embedded = Embedded(Settings(state=state, linger_ms=0, **settings), clock=lambda: NOW)

    def close(self) -> None:
        """Stop it, once."""
        if not self.closed:
            self.closed = True
            self.embedded.close()

    def ask(self, method: str, path: str, body: bytes = b"", headers: dict[str, str] | None = None) -> Answer:
        """One request."""
        return self.ask_all([(method, path, body, headers or {})])[0]

    def ask_all(self, requests: list[tuple[str, str, bytes, dict[str, str]]]) -> list[Answer]:
        """Several requests, one after the other."""
        return asyncio.run(self._ask(requests))

    async def _ask(self, requests: list[tuple[str, str, bytes, dict[str, str]]]) -> list[Answer]:
        answers = []
        async with TestClient(TestServer(self.embedded.application())) as client:
            for method, path, body, headers in requests:
                async with client.request(method, path, data=BytesIO(body), headers=headers) as response:
                    answers.append((response.status, dict(response.headers), await response.read()))
        return answers

    def binary(self, data: Any, **attributes: str) -> Answer:
        """Post an event in binary mode."""
        body = data if isinstance(data, bytes) else json.dumps(data).encode()
        base = {"specversion": "1.0", "id": "e1", "source": "/shop", "type": ORDER_TYPE}
        headers = {f"ce-{name}": text for name, text in {**base, **attributes}.items()}
        return self.ask("POST", "/events", body, {**headers, "Content-Type": "application/json"})

    def structured(self, body: Any, kind: str = STRUCTURED) -> Answer:
        """Post an event, or a batch, in structured mode."""
        raw = body if isinstance(body, bytes) else json.dumps(body).encode()
        return self.ask("POST", "/events", raw, {"Content-Type": kind})

    def rows(self, query: str) -> list[tuple]:
        """What is on the disk, seen by another connection."""
        with sqlite3.connect(self.state / FILE_NAME) as connection:
            found = connection.execute(query).fetchall()
        connection.close()
        return found

    def metrics(self) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
        """The exposition, read by Prometheus' own client."""
        status, headers, body = self.ask("GET", "/metrics")
        assert status == 200
        # OpenMetrics 1.0, section 'Protocol'.
        assert headers["Content-Type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
        families = text_string_to_metric_families(body.decode())
        return {(s.name, tuple(sorted(s.labels.items()))): s.value for family in families for s in family.samples}


@pytest.fixture
def start(tmp_path):
    """Start services on a state directory that has a campaign and two tins."""
    campaign, stock = tmp_path / "week.yaml", tmp_path / "stock.csv"
    campaign.write_text(CAMPAIGN)
    stock.write_text("gift,site,units\nTIN,main,2\n")
    state = tmp_path / "state"
    publish_files(Settings(state=state), [campaign], stock, clock=lambda: PUBLISHED)
    made = []

    def make(*, started: bool = True, **settings: Any) -> Service:
        service = Service(state, **settings)
        made.append(service)
        if started:
            service.embedded.intake.start()
            service.embedded.take_up()
        return service

    yield make
    for service in made:
        service.close()


@pytest.fixture
def service(start):
    """A service with a campaign in force."""
    return start()


def results(answer: Answer) -> list[str]:
    """What became of each event of a request that was taken."""
    assert answer[0] == 200, answer
    return [receipt["result"] for receipt in json.loads(answer[2])["events"]]


def tickets(service: Service, after: int = 0, limit: int = 100) -> tuple[list[dict], int]:
    """A page of tickets and its cursor."""
    status, _, body = service.ask("GET", f"/tickets?after={after}&limit={limit}")
    assert status == 200
    page = json.loads(body)
    return page["tickets"], page["cursor"]


# --- events ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mode", ["binary", "structured", "batch"])
def test_an_order_is_taken(mode, service):
    """Every mode of CloudEvents over HTTP: a ticket with the gift comes out, and all is on the disk by the answer."""
    send = {
        "binary": lambda: service.binary(order(1)),
        "structured": lambda: service.structured(event(order(1))),
        "batch": lambda: service.structured([event(order(1)), event(order(2, 3999), id="e2")], BATCH),
    }[mode]
    assert set(results(send())) == {"applied"}
    said, _ = tickets(service)
    first = said[0]
    assert (first["ticket"], first["state"]) == ("O1/main/1", "final")
    assert [(g["gift"], g["units"], g["total_charged"]) for g in first["gift_lines"]] == [("TIN", 1, 0)]
    assert first["order_parts"] == {"ship_to": {"street": ADDRESS}}
    assert service.rows("SELECT key, source, id FROM inbox WHERE topic = 'orders'")[0] == ("O1", "/shop", "e1")
    assert json.loads(service.rows("SELECT body FROM inbox WHERE key = 'O1'")[0][0]) == order(1)


def test_a_repeat_changes_nothing(service):
    """The same content again, in another mode and under another id, is a repeat: no entry, no grant, no new ticket."""
    assert results(service.binary(order(1))) == ["applied"]
    logs = "SELECT (SELECT count(*) FROM desk_log), (SELECT count(*) FROM ledger_log), (SELECT count(*) FROM rejects)"
    before, first = service.rows(logs), tickets(service)[0]
    assert results(service.binary(order(1))) == ["repeat"]
    assert results(service.structured(event(dict(reversed(order(1).items())), id="other"))) == ["repeat"]
    assert service.rows(logs) == before
    assert [t for t in tickets(service)[0] if t not in first] == []


def test_other_content_is_a_conflict(service):
    """409, and the bytes of the second one are kept; the first counts."""
    raw = json.dumps(order(1, 9000), indent=1).encode()
    assert results(service.binary(order(1))) == ["applied"]
    told = problem(service.binary(raw), 409)
    assert told["code"] == "other_content"
    assert "O1 revision 1" in told["detail"]
    assert service.rows("SELECT topic, key, code, body FROM rejects") == [("orders", "O1", "other_content", raw)]
    assert {t["lines"][0]["total_charged"] for t in tickets(service)[0]} == {4000}


MALFORMED = {
    "no JSON": (b"\xff\x00 this is no order", {}, "malformed"),
    "nothing": (b"", {}, "malformed"),
    "missing member": (json.dumps({"order": "O1"}).encode(), {}, "malformed"),
    "contradiction": (json.dumps(order(1, lines=order(1)["lines"] * 2)).encode(), {}, "contradiction"),
    "currency": (json.dumps(order(1, currency="EUX")).encode(), {}, "currency"),
    "empty id": (json.dumps(order(1)).encode(), {"id": ""}, "envelope"),
    "no type of ours": (json.dumps(order(1)).encode(), {"type": "com.example.order"}, "envelope"),
    "other specversion": (json.dumps(order(1)).encode(), {"specversion": "0.3"}, "envelope"),
    "number beyond 64 bits": (json.dumps(order(1, opaque=10**40)).encode(), {}, "malformed"),
}


@pytest.mark.parametrize("name", MALFORMED)
def test_malformed_is_refused_and_its_bytes_are_kept(name, service):
    """Issue, 'Bad input': nothing is dropped; what can't be processed is in the rejects with its original bytes."""
    raw, attributes, code = MALFORMED[name]
    assert problem(service.binary(raw, **attributes), 422)["code"] == code
    assert service.rows("SELECT code, body FROM rejects") == [(code, raw)]
    assert results(service.binary(order(2))) == ["applied"]  # and the service goes on


@pytest.mark.parametrize("kind", [STRUCTURED, BATCH])
@pytest.mark.parametrize("raw", [b"{", b"\xff", b"7", b'[{"data":' + b"[" * 300 + b"]" * 300 + b"}]"])
def test_malformed_request_is_kept_whole(kind, raw, service):
    """A request that can't be taken apart is refused and kept as it came."""
    problem(service.structured(raw, kind), 422)
    assert service.rows("SELECT body FROM rejects") == [(raw,)]


def test_a_batch_is_answered_event_by_event(service):
    """One wrong event does not take its neighbours with it."""
    wrong = event({"order": "O3"}, id="e3")
    batch = [event(order(1)), event(order(1)), wrong, {"id": 5}, event(order(2), id="e2")]
    answer = service.structured(batch, BATCH)
    assert results(answer) == ["applied", "repeat", "rejected", "rejected", "applied"]
    assert "member 'revision' is missing" in json.loads(answer[2])["events"][2]["sentence"]
    kept = [json.loads(body) for (body,) in service.rows("SELECT body FROM rejects ORDER BY position")]
    assert kept == [wrong, {"id": 5}]


def test_a_batch_has_a_limit(service):
    """More events than a request may hold are refused as one."""
    answer = service.structured([{}] * (MAX_BATCH + 1), BATCH)
    assert f"at most {MAX_BATCH}" in problem(answer, 422)["detail"]
    assert results(service.structured([], BATCH)) == []


def test_warehouse_facts_of_what_is_not_known(service):
    """An unknown order and an unknown ticket are told apart, and both are kept."""
    assert results(service.binary(order(1))) == ["applied"]
    unknown = [("unknown_order", fact(9, "O9/main/1")), ("unknown_ticket", fact(1, "O1/main/7"))]
    for code, body in unknown:
        assert problem(service.binary(body, type=FULFILMENT_TYPE), 422)["code"] == code
    kept = service.rows("SELECT topic, code, body FROM rejects ORDER BY position")
    assert [(topic, code, json.loads(body)) for topic, code, body in kept] == [
        ("fulfilment", code, body) for code, body in unknown
    ]
    assert results(service.binary(fact(1, "O1/main/1"), type=FULFILMENT_TYPE)) == ["applied"]
    assert results(service.binary(fact(1, "O1/main/1"), type=FULFILMENT_TYPE)) == ["repeat"]


def test_a_body_that_is_too_large(service):
    """413 as a problem; nothing of it is read into the database."""
    body = problem(service.binary(b" " * (MAX_BODY_BYTES + 1)), 413)
    assert body["title"]
    assert service.rows("SELECT count(*) FROM rejects") == [(0,)]
    assert results(service.binary(json.dumps(order(1, note="x" * 1_000_000)).encode())) == ["applied"]


def test_a_full_queue_sends_senders_away(start):
    """503 with Retry-After while as many events wait as there is room for; afterwards the same event is taken."""
    service = start(started=False, queue=1)
    raw = json.dumps(order(1)).encode()
    first = service.embedded.intake.submit([incoming(raw, lambda: read_line(raw, "test", 1))])
    answer = service.binary(order(2))
    assert problem(answer, 503)["title"] == "Busy"
    assert int(answer[1]["Retry-After"]) > 0
    service.embedded.intake.start()
    assert [receipt.result for receipt in first.result(timeout=10)] == ["applied"]
    assert results(service.binary(order(2))) == ["applied"]


# --- tickets, health, and who may ask -----------------------------------------------------------------------------


def test_tickets_by_cursor(service):
    """Pages of any size give every ticket once, in order; at the end the cursor stands still."""
    service.structured([event(order(n)) for n in range(1, 6)], BATCH)
    whole, end = tickets(service)
    assert [t["order"] for t in whole] == ["O1", "O2", "O3", "O4", "O5"]
    paged, cursor = [], 0
    while page := tickets(service, cursor, 2):
        if not page[0]:
            break
        assert len(page[0]) <= 2
        paged += page[0]
        cursor = page[1]
    assert (paged, cursor) == (whole, end)
    assert tickets(service, end) == ([], end)
    service.binary(order(6))
    assert [t["order"] for t in tickets(service, end)[0]] == ["O6"]


@pytest.mark.parametrize(
    "query", ["after=x", "after=-1", "limit=0", f"limit={MAX_TICKETS + 1}", "limit=1.5", f"after={10**30}"]
)
def test_a_wrong_cursor(query, service):
    """400, with what a right one looks like."""
    assert "`after`" in problem(service.ask("GET", f"/tickets?{query}"), 400)["detail"]


@pytest.mark.parametrize(("method", "path", "status"), [("GET", "/nope", 404), ("GET", "/events", 405)])
def test_no_such_place(method, path, status, service):
    """What the framework refuses is a problem like any other."""
    problem(service.ask(method, path), status)


@pytest.mark.parametrize(
    ("given", "taken"),
    [(None, False), ("Bearer wrong", False), ("s3cret", False), ("Bearer s3cret", True), ("Bearer s3cret ", True)],
)
def test_token(given, taken, start):
    """With a token set, events and tickets need it; metrics and health are for machines that have none."""
    service = start(token="s3cret")  # noqa: S106 - no secret, a word of this test
    headers = {} if given is None else {"Authorization": given}
    asked = service.ask("GET", "/tickets", headers=headers)
    sent = service.ask("POST", "/events", json.dumps(event(order(1))).encode(), {"Content-Type": STRUCTURED, **headers})
    if taken:
        assert results(sent) == ["applied"]
        assert asked[0] == 200
    else:
        assert "s3cret" not in problem(sent, 401)["detail"] + problem(asked, 401)["detail"]
        assert service.rows("SELECT count(*) FROM rejects") == [(0,)]
    assert service.ask("GET", "/health")[0] == service.ask("GET", "/metrics")[0] == 200


def test_health(service):
    """A commit that failed is told, its sender is asked to come again, and the next one heals it."""
    assert json.loads(service.ask("GET", "/health")[2]) == {"status": "ok"}
    host = service.embedded.host
    taken = host.take
    host.take = lambda events: (_ for _ in ()).throw(sqlite3.OperationalError("disk full"))
    try:
        assert "disk full" in problem(service.binary(order(1)), 503)["detail"]
        assert "disk full" in problem(service.ask("GET", "/health"), 503)["detail"]
    finally:
        host.take = taken
    assert results(service.binary(order(1))) == ["applied"]
    assert service.ask("GET", "/health")[0] == 200


def test_a_file_stays_in_its_folder_until_it_is_on_the_disk(service, tmp_path):
    """A commit that fails leaves the file where it is, and the next look takes it in."""
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    (inbox / "day.jsonl").write_text(json.dumps(order(1)) + "\n")
    host = service.embedded.host
    taken = host.take
    host.take = lambda events: (_ for _ in ()).throw(sqlite3.OperationalError("disk full"))
    try:
        with pytest.raises(NotTaken, match="disk full"):
            service.embedded.take_folder(inbox)
    finally:
        host.take = taken
    assert (inbox / "day.jsonl").exists()
    service.embedded.take_folder(inbox)
    assert [p.name for p in inbox.rglob("*.jsonl") if p.parent.name == "done"] == ["day.jsonl"]
    assert service.rows("SELECT key FROM inbox WHERE topic = 'orders'") == [("O1",)]


# --- metrics -------------------------------------------------------------------------------------------------------


def test_series_start_at_zero(start):
    """Before the first event every series is there, so that a rate over the first one is right."""
    service = start(started=False)
    seen = service.metrics()
    for name, labels in [
        ("makeweight_records_in_total", {"stage": "desk", "result": "applied"}),
        ("makeweight_records_in_total", {"stage": "ledger", "result": "repeat"}),
        ("makeweight_records_out_total", {"channel": "pick-tickets"}),
        ("makeweight_rejects_total", {"topic": "orders", "reason": "malformed"}),
        ("makeweight_rejects_total", {"topic": "fulfilment", "reason": "unknown_ticket"}),
        ("makeweight_outcomes_total", {"offer": "week/tin", "outcome": "granted", "reason": ""}),
        ("makeweight_outcomes_total", {"offer": "week/tin", "outcome": "declined", "reason": "no_stock"}),
        ("makeweight_invariant_violations_total", {"invariant": "S1"}),
        ("makeweight_placed_to_ticket_seconds_count", {}),
        ("makeweight_offer_orders", {"offer": "week/tin", "standing": "qualified"}),
        ("makeweight_events_waiting", {}),
        ("makeweight_last_processed_timestamp_seconds", {"topic": "orders"}),
    ]:
        assert seen[name, tuple(sorted(labels.items()))] == 0, name
    assert all(value == 0 for (name, _), value in seen.items() if name.endswith("_total"))
    assert [value for (name, _), value in seen.items() if name == "makeweight_build_info"] == [1]


def test_what_happened_is_counted(service):
    """Source: OpenMetrics 1.0, read by prometheus_client's own strict parser; the figures are those of the requests."""
    sent = [event(order(n)) for n in (1, 2, 3)] + [event(order(4, 3700)), event(order(1)), event(order(1, 9000)), {}]
    service.structured(sent, BATCH)
    service.binary(fact(1, "O1/main/1"), type=FULFILMENT_TYPE)
    service.binary(fact(1, "O1/main/9", "released"), type=FULFILMENT_TYPE)
    seen = service.metrics()

    def number(name: str, **labels: str) -> float:
        return seen[f"makeweight_{name}", tuple(sorted(labels.items()))]

    assert number("records_in_total", stage="desk", result="repeat") == 1
    assert number("records_in_total", stage="desk", result="conflict") == 1
    assert number("rejects_total", topic="orders", reason="other_content") == 1
    assert number("rejects_total", topic="orders", reason="envelope") == 1
    assert number("rejects_total", topic="fulfilment", reason="unknown_ticket") == 1
    assert number("outcomes_total", offer="week/tin", outcome="granted", reason="") == 2
    assert number("outcomes_total", offer="week/tin", outcome="declined", reason="no_stock") == 1
    standings = ("in_window", "qualified", "near_miss", "granted")
    assert [number("offer_orders", offer="week/tin", standing=s) for s in standings] == [4, 3, 1, 2]
    assert number("offer_declined_orders", offer="week/tin", reason="no_stock") == 1
    tin = {"offer": "week/tin", "gift": "TIN", "site": "main"}
    accounts = ("free", "reserved", "released", "packed", "over_gift")
    assert [number("gift_units", **tin, account=a) for a in accounts] == [0, 1, 0, 1, 0]
    assert [number("offer_units", offer="week/tin", standing=s) for s in ("wanted", "granted", "owed")] == [3, 2, 0]
    assert number("offer_exhausted", offer="week/tin") == number("offer_still_advertised", offer="week/tin") == 1
    assert number("offer_exhausted_timestamp_seconds", offer="week/tin") == NOW.timestamp()
    # Midnight in Dublin is midnight of UTC in November.
    starts, ends = (datetime(2026, 11, day, tzinfo=UTC).timestamp() for day in (23, 30))
    assert number("offer_starts_timestamp_seconds", offer="week/tin") == starts
    assert number("offer_ends_timestamp_seconds", offer="week/tin") == ends
    # Each order was placed 5 s before the service's clock.
    assert number("placed_to_ticket_seconds_sum") == 5 * number("placed_to_ticket_seconds_count") > 0
    assert number("lag_seconds") == 5
    assert number("last_processed_timestamp_seconds", topic="orders") == NOW.timestamp()
    assert all(value == 0 for (name, _), value in seen.items() if name == "makeweight_invariant_violations_total")


def test_totals_survive_a_restart(start):
    """Numbers that are kept with the orders are read from the disk; those of the process start anew."""
    first = start()
    first.structured([event(order(n)) for n in (1, 2, 3)], BATCH)
    before = first.metrics()
    first.close()
    after = start(started=False).metrics()
    kept = [key for key in before if key[0].startswith(("makeweight_offer_", "makeweight_gift_"))]
    assert len(kept) > 5
    assert {key: before[key] for key in kept} == {key: after[key] for key in kept}


def test_metrics_hold_no_personal_data(service):
    """Customer keys, addresses and order ids are in no label."""
    service.structured([event(order(1)), event({"order": "O2", "customer": CUSTOMER})], BATCH)
    text = service.ask("GET", "/metrics")[2].decode()
    assert "week/tin" in text
    assert [word for word in (CUSTOMER, ADDRESS, "O1", "O2", "ship_to") if word in text] == []


# --- the command -----------------------------------------------------------------------------------------------------


class Serving:
    """``makeweight serve`` as a process of its own, on a free port; its log goes to a file."""

    def __init__(self, state: Path, *options: str) -> None:
        self.log = state.parent / f"serve-{time.monotonic_ns()}.log"
        command = [MAKEWEIGHT, "serve", "--port", "0", "--state", state, *options]
        with self.log.open("wb") as out:
            self.process = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT)
        self.port = self._port()

    def _port(self) -> int:
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline and self.process.poll() is None:
            for line in self.lines():
                if line.get("event") == "listening":
                    return line["port"]
            time.sleep(0.05)
        self.kill()
        raise AssertionError(f"serve did not start: {self.log.read_text()}")

    def lines(self) -> list[dict]:
        """The whole lines of its log."""
        return [json.loads(line) for line in self.log.read_bytes().splitlines(keepends=True) if line.endswith(b"\n")]

    def ask(self, method: str, path: str, body: bytes | None = None, headers: dict | None = None) -> tuple[int, bytes]:
        """One request. ``OSError`` or ``HTTPException`` if the process is not there to answer it."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            connection.request(method, path, body, headers or {})
            response = connection.getresponse()
            return response.status, response.read()
        finally:
            connection.close()

    def kill(self) -> None:
        """SIGKILL: no chance to tidy up."""
        self.process.kill()
        self.process.wait(timeout=30)

    def stop(self) -> int:
        """SIGTERM, as a supervisor does; the exit code."""
        self.process.terminate()
        return self.process.wait(timeout=30)


@pytest.fixture
def serving(tmp_path):
    """The running command."""
    campaign, stock = tmp_path / "week.yaml", tmp_path / "stock.csv"
    campaign.write_text(CAMPAIGN)
    stock.write_text("gift,site,units\nTIN,main,2\n")
    publish_files(Settings(state=tmp_path / "state"), [campaign], stock, clock=lambda: PUBLISHED)
    process = Serving(tmp_path / "state")
    yield process
    process.kill()


def test_the_command_serves(serving):
    """Stock that `publish` left is taken up, an order gets its ticket, and the log names no person."""
    body = json.dumps(event(order(1))).encode()
    headers = {"Content-Type": STRUCTURED}
    assert serving.ask("POST", "/events", body, headers)[0] == 200
    assert serving.ask("POST", "/events", body[:-9], headers)[0] == 422
    _, page = serving.ask("GET", "/tickets")
    assert [g["gift"] for g in json.loads(page)["tickets"][0]["gift_lines"]] == ["TIN"]
    assert serving.ask("GET", "/health")[0] == 200
    status, exposition = serving.ask("GET", "/metrics")
    assert status == 200
    assert len(list(text_string_to_metric_families(exposition.decode()))) > 10
    assert serving.stop() == 0
    lines = serving.lines()
    handled = [(x["stage"], x["order"]) for x in lines if x["event"] == "handled" and x["order"]]
    assert handled == [("desk", "O1"), ("ledger", "O1")]
    assert [x["reason"] for x in lines if x["event"] == "rejected"] == ["malformed"]
    assert all({"level", "timestamp", "event"} <= x.keys() for x in lines)
    log = serving.log.read_text()
    assert [word for word in (CUSTOMER, ADDRESS, "ship_to") if word in log] == []


def test_headers_may_hold_any_bytes(serving):
    """A header with bytes that are no UTF-8 costs its sender a 422, and nobody else anything."""
    body = json.dumps(order(1)).encode()
    good = {"ce-specversion": "1.0", "ce-id": "1", "ce-source": "/shop", "ce-type": ORDER_TYPE}
    for name in ("ce-id", "ce-source", "ce-subject", "ce-type", "ce-specversion"):
        status, answer = serving.ask("POST", "/events", body, {**good, name: b"a\xff\xfe"})
        assert (name, status) == (name, 422)
        assert json.loads(answer)["code"] == "envelope"
    assert serving.ask("POST", "/events", body, {**good, "Authorization": b"Bearer \xff"})[0] == 200
    assert serving.ask("GET", "/health")[0] == 200
