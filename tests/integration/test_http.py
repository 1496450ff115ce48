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
from pathlib import Path
from typing import Any

import pytest
from aiohttp.test_utils import TestClient, TestServer
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from makeweight.adapters.documents.orders import Line
from makeweight.adapters.http.app import MAX_BATCH, MAX_BODY_BYTES, MAX_TICKETS
from makeweight.adapters.local.database import FILE_NAME
from makeweight.bootstrap import Embedded, publish_files
from makeweight.contracts.events import FULFILMENT_TYPE, ORDER_TYPE
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
        self.state = state
        self.embedded = Embedded(Settings(state=state, linger_ms=0, **settings), clock=lambda: NOW)

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
                async with client.request(method, path, data=body, headers=headers) as response:
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
        if service.embedded.intake._thread.ident is None:  # noqa: SLF001 - a thread that never ran can't be joined
            service.embedded.intake.start()
        service.embedded.close()


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
@pytest.mark.parametrize("raw", [b"{", b"\xff", b"7"], ids=str)
def test_malformed_request_is_kept_whole(kind, raw, service):
    """A request that can't be taken apart is refused and kept as it came."""
    problem(service.structured(raw, kind), 422)
    assert service.rows("SELECT body FROM rejects") == [(raw,)]


def test_a_batch_is_answered_event_by_event(service):
    """One wrong event does not take its neighbours with it."""
    wrong = event({"order": "O3"}, id="e3")
    deep = json.loads("[" * 300 + "]" * 300)
    batch = [event(order(1)), event(order(1)), wrong, {"id": 5}, event(order(4, opaque=deep)), event(order(2), id="e2")]
    answer = service.structured(batch, BATCH)
    assert results(answer) == ["applied", "repeat", "rejected", "rejected", "rejected", "applied"]
    assert "member 'revision' is missing" in json.loads(answer[2])["events"][2]["sentence"]
    kept = [json.loads(body) for (body,) in service.rows("SELECT body FROM rejects ORDER BY position")]
    assert kept == [wrong, {"id": 5}, batch[4]]


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
    first = service.embedded.intake.submit([_line(order(1))])
    answer = service.binary(order(2))
    assert problem(answer, 503)["title"] == "Busy"
    assert int(answer[1]["Retry-After"]) > 0
    service.embedded.intake.start()
    assert [receipt.result for receipt in first.result(timeout=10)] == ["applied"]
    assert results(service.binary(order(2))) == ["applied"]


def _line(data: dict) -> Any:
    from makeweight.adapters.documents.orders import read_one  # noqa: PLC0415
    from makeweight.bootstrap import _incoming  # noqa: PLC0415, PLC2701

    line: Line = read_one(json.dumps(data).encode(), "test", 1)
    return _incoming(line, "test")
