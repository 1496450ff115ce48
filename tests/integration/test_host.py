"""The embedded host at its edges: one service to a directory, senders that go away, a disk that can't be written."""

import json
import resource
import shutil
import sqlite3
import threading
from datetime import UTC, datetime, timedelta
from random import Random

import pytest

from makeweight.adapters.documents.orders import read_one, read_stream
from makeweight.adapters.local.database import FILE_NAME, DatabaseError
from makeweight.adapters.local.host import Receipt
from makeweight.adapters.local.intake import Intake, Limits, NotTaken
from makeweight.bootstrap import Embedded, publish_files
from makeweight.domain.values import InvariantViolation
from makeweight.settings import Settings
from makeweight.stages.desk import Desk
from makeweight.stages.ledger import Ledger
from tests.support.week import CAMPAIGN, PUBLISHED, STOCK, day

NOW = datetime(2026, 11, 24, 10, 0, tzinfo=UTC)


def test_one_service_to_a_directory(tmp_path):
    """Two services would each grant from stock that the other has given away, so the second is refused."""
    first = Embedded(Settings(state=tmp_path), lambda: NOW)
    first.intake.start()
    try:
        with pytest.raises(DatabaseError, match="another service runs"):
            Embedded(Settings(state=tmp_path), lambda: NOW)
    finally:
        first.close()
    again = Embedded(Settings(state=tmp_path), lambda: NOW)
    again.intake.start()
    again.close()


class Slow:
    """A host that commits when it is let, and fails when it is told."""

    def __init__(self):
        self.go, self.taken, self.fail = threading.Event(), [], False

    def take(self, incoming):
        """Wait, then take all or nothing."""
        self.go.wait(10)
        if self.fail:
            raise sqlite3.OperationalError("database or disk is full")
        self.taken += incoming
        return [Receipt("applied") for _ in incoming]


def test_a_sender_that_goes_away_stops_nothing():
    """Its events are taken all the same, and those of the next sender are answered."""
    host = Slow()
    intake = Intake(host, Limits(10, 0.0, 100))
    intake.start()
    gone = intake.submit(["a"])
    gone.cancel()
    host.go.set()
    assert intake.submit(["b"]).result(10) == [Receipt("applied")]
    intake.stop()
    assert host.taken == ["a", "b"]


def test_a_full_disk_is_told_and_tried_again():
    """Nothing was taken in, every sender hears it, and the next commit may go well."""
    host = Slow()
    host.fail = True
    host.go.set()
    intake = Intake(host, Limits(10, 0.0, 100))
    intake.start()
    with pytest.raises(NotTaken, match="disk is full"):
        intake.submit(["a"]).result(10)
    assert intake.failed is not None
    host.fail = False
    assert intake.submit(["a"]).result(10) == [Receipt("applied")]
    assert intake.failed is None
    intake.stop()
    assert host.taken == ["a"]


@pytest.fixture
def start(tmp_path):
    """Start services of the week's campaign, each on a state directory of its own."""
    campaign, stock = tmp_path / "week.yaml", tmp_path / "stock.csv"
    campaign.write_text(CAMPAIGN)
    stock.write_text(STOCK)
    made = []

    def make(name):
        settings = Settings(state=tmp_path / name)
        publish_files(settings, [campaign], stock, clock=lambda: PUBLISHED)
        made.append(Embedded(settings, lambda: NOW))
        made[-1].intake.start()
        made[-1].take_up()
        return made[-1]

    yield make
    for service in made:
        service.close()


def database(service):
    """The connection of a service that rests."""
    return service.host._db  # noqa: SLF001 - the disk is made full, and looked at, on the very connection


def kept(service):
    """Everything that is on the disk of a service."""
    tables = ("inbox", "desk_log", "ledger_log", "outbox", "state", "tally", "rejects")
    return {name: database(service).execute(f"SELECT * FROM {name}").fetchall() for name in tables}  # noqa: S608


def test_a_disk_that_fills_up(start):
    """SQLite's own error, at whatever step the room ends: nothing of the batch is there, and memory agrees.

    With room again the same batch is taken, and the end is that of a service that was never disturbed.
    """
    events = [read_one(data, "day", n) for n, (_, data) in enumerate(day(Random(21), 120), 1)]
    full, other = start("full"), start("other")
    for service in (full, other):
        service.take_lines(events[:40], "day")
    before, pages = kept(full), database(full).execute("PRAGMA page_count").fetchone()[0]
    for room in (0, 2, 8, 20, 60):
        database(full).execute(f"PRAGMA max_page_count = {pages + room}")
        with pytest.raises(NotTaken, match="full"):
            full.take_lines(events[40:], "day")
        assert kept(full) == before
    database(full).execute(f"PRAGMA max_page_count = {pages + 10_000}")
    full.take_lines(events[40:], "day")
    other.take_lines(events[40:], "day")
    assert kept(full) == kept(other)


def test_a_disk_that_fails_at_the_commit(start):
    """The operating system refuses to write in the middle of it: nothing of the batch is there, and memory agrees.

    Until then nothing was written: it is the commit that puts a batch on the disk.
    """
    events = [read_one(data, "day", n) for n, (_, data) in enumerate(day(Random(23), 120), 1)]
    failing, other = start("failing"), start("other")
    for service in (failing, other):
        service.take_lines(events[:40], "day")
    database(failing).execute("PRAGMA wal_checkpoint(TRUNCATE)")
    before, said = kept(failing), []
    database(failing).set_trace_callback(said.append)
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (32_768, limits[1]))
    try:
        with pytest.raises(NotTaken, match="disk I/O error"):
            failing.take_lines(events[40:], "day")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert "COMMIT" in said, "it failed before the commit"
    database(failing).set_trace_callback(None)
    assert kept(failing) == before
    failing.take_lines(events[40:], "day")
    other.take_lines(events[40:], "day")
    assert kept(failing) == kept(other)


def test_a_backup_brings_back_all_until_it_was_made(start, tmp_path):
    """A copy of the file made while the service runs; the directory is lost; senders send again what came since."""
    events = [read_one(data, "day", n) for n, (_, data) in enumerate(day(Random(24), 120), 1)]
    lost, other = start("lost"), start("other")
    for service in (lost, other):
        service.take_lines(events[:40], "day")
    (tmp_path / "copy").mkdir()
    source, copy = (sqlite3.connect(tmp_path / name / FILE_NAME) for name in ("lost", "copy"))
    source.backup(copy)
    source.close()
    copy.close()
    lost.take_lines(events[40:80], "day")
    lost.close()
    shutil.rmtree(tmp_path / "lost")
    again = Embedded(Settings(state=tmp_path / "copy"), lambda: NOW)
    again.intake.start()
    assert kept(again) == kept(other)
    for service in (again, other):
        service.take_lines(events[40:], "day")
    assert kept(again) == kept(other)
    again.close()


def test_a_value_that_can_not_be_read_is_no_fault_of_the_event(start):
    """Damage to the file is told as a disk that fails: no order is put aside for it, and none is acknowledged."""
    service = start("damaged")
    database(service).execute("UPDATE state SET body = '{' WHERE space = 'ledger.balances'")
    service.host._stores["ledger"].forget()  # noqa: SLF001 - as after a restart
    before = kept(service)
    lines = [read_one(data, "day", n) for n, (_, data) in enumerate(day(Random(25), 10), 1)]
    with pytest.raises(NotTaken, match=r"a value of ledger\.balances"):
        service.take_lines(lines, "day")
    assert kept(service) == before
    assert service.intake.failed is not None


@pytest.mark.parametrize("stage", ["desk", "ledger"])
def test_a_defect_of_ours_on_one_event(start, monkeypatch, stage):
    """It is kept under the name of what does not hold, and its neighbours are served as if it had not come."""
    events = [read_one(data, "day", n) for n, (_, data) in enumerate(day(Random(22), 30, facts=False), 1)]
    order = "O0008"
    whole = Desk.decide if stage == "desk" else Ledger.decide

    def fails(self, store, message, view):
        if getattr(message.body, "order", None) == order:
            raise InvariantViolation("S1", "made up")
        return whole(self, store, message, view)

    service, other = start("with"), start("without")
    with monkeypatch.context() as patch:
        patch.setattr(Desk if stage == "desk" else Ledger, "decide", fails)
        found = service.take_lines(events, "day")
    without = [line for line in events if line.body.order != order]
    other.take_lines(without, "day")
    assert found["rejected"] == len(events) - len(without)
    assert {row[2:4] for row in kept(service)["rejects"]} == {(order, "S1")}
    logs = [{name: [row[1:] for row in kept(s)[name]] for name in ("desk_log", "ledger_log")} for s in (service, other)]
    assert logs[0] == logs[1]


def test_time_is_heard_only_when_something_is_due(tmp_path):
    """An unpaid order lapses by the service's clock, also after a restart; a tick with nothing due writes nothing."""
    campaign, stock, clock = tmp_path / "week.yaml", tmp_path / "stock.csv", [NOW]
    campaign.write_text(CAMPAIGN.replace("    gives: {gift: TIN,", "    paid_within_days: 2\n    gives: {gift: TIN,"))
    stock.write_text(STOCK)
    settings = Settings(state=tmp_path / "state")
    publish_files(settings, [campaign], stock, clock=lambda: PUBLISHED)
    body = {
        "order": "A", "revision": 1, "status": "placed", "placed_at": NOW.isoformat(), "revised_at": NOW.isoformat(),
        "market": "IE", "currency": "EUR",
        "lines": [{"number": 1, "sku": "S", "units": 1, "total_charged": 4500}],
    }  # fmt: skip

    def running():
        service = Embedded(settings, lambda: clock[0])
        service.intake.start()
        service.take_up()
        return service

    def gifts(service):
        story = service.reader.explain("A")
        return [gift["gift"] for ticket in story["tickets"] for gift in ticket["gifts"]]

    service = running()
    assert service.take_lines(read_stream([json.dumps(body).encode()], "test"), "test") == {"applied": 1}
    assert "TIN" in gifts(service)
    before = kept(service)
    clock[0] = NOW + timedelta(days=2) - timedelta(seconds=1)
    service.keep_time()
    assert kept(service) == before
    service.close()
    clock[0] = NOW + timedelta(days=2)
    service = running()
    service.keep_time()
    assert "TIN" not in gifts(service)
    after = kept(service)
    service.keep_time()
    assert kept(service) == after
    service.close()
