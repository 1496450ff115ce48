"""The embedded host at its edges: one service to a directory, senders that go away, a disk that can't be written."""

import sqlite3
import threading
from datetime import UTC, datetime

import pytest

from makeweight.adapters.local.database import DatabaseError
from makeweight.adapters.local.host import Receipt
from makeweight.adapters.local.intake import Intake, Limits, NotTaken
from makeweight.bootstrap import Embedded
from makeweight.settings import Settings

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
