"""The service killed where no sender waits: among the rows that `publish` left, and before a file is moved."""

import signal
import sqlite3
import subprocess
import sys
import time
from random import Random

import pytest

from makeweight.adapters.local.database import FILE_NAME
from makeweight.bootstrap import publish_files
from makeweight.settings import Settings
from tests.integration.test_http import Serving
from tests.support.fleet import ROOT
from tests.support.week import CAMPAIGN, PUBLISHED, STOCK, day


@pytest.fixture
def state(tmp_path):
    """A state directory with a campaign, and five rows of stock that no service has seen."""
    campaign, stock = tmp_path / "week.yaml", tmp_path / "stock.csv"
    campaign.write_text(CAMPAIGN)
    stock.write_text(STOCK)
    publish_files(Settings(state=tmp_path / "state"), [campaign], stock, clock=lambda: PUBLISHED)
    return tmp_path / "state"


def killed(place, state, *options):
    """Run a service until it is killed at a place."""
    command = [sys.executable, "-m", "tests.support.service", place, "serve", "--port", "0", "--state", state, *options]
    done = subprocess.run(command, cwd=ROOT, stdin=subprocess.DEVNULL, capture_output=True, check=False, timeout=60)
    assert done.returncode == -signal.SIGKILL, done


def rows(state, query):
    """What a query finds in the database of a service that is down."""
    connection = sqlite3.connect(state / FILE_NAME)
    found = connection.execute(query).fetchall()
    connection.close()
    return found


def received(state):
    """Up to where the inbox was worked on, the ids of the ledger's entries, and what came in of each gift."""
    handled = int(rows(state, "SELECT body FROM meta WHERE name = 'handled'")[0][0])
    ids = [id_ for (id_,) in rows(state, "SELECT id FROM ledger_log ORDER BY position")]
    levels = "SELECT body ->> 'gift', body ->> 'received' FROM state WHERE space = 'ledger.balances'"
    return handled, ids, dict(rows(state, levels))


def test_a_kill_among_the_rows_that_publish_left(state):
    """Each row is there whole or not at all, with its place; the next start goes on, and none counts twice."""
    killed("after a row:2", state, "--events", "-")
    handled, first, came = received(state)
    assert (handled, len(first), len(came)) == (2, 2, 2)
    killed("in a row:2", state, "--events", "-")
    handled, second, came = received(state)
    assert (handled, second[:2], len(came)) == (3, first, 3)
    serving = Serving(state)
    assert serving.stop() == 0
    handled, third, came = received(state)
    assert (handled, third[:3], len(set(third))) == (5, second, 5)
    assert came == {"TIN": 30, "BAG": 10, "PAD": 100, "BRUSH": 60, "MUG": 25}


def test_a_kill_before_a_file_is_moved(state, tmp_path):
    """Its events are on the disk and the file still lies there: it is read again, and every event is a repeat."""
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    events = day(Random(61), 40, facts=False)
    (inbox / "day.jsonl").write_bytes(b"".join(data + b"\n" for _, data in events))
    killed("before a move:1", state, "--inbox", inbox)
    assert (inbox / "day.jsonl").exists()
    before, logged = received(state), rows(state, "SELECT id FROM desk_log ORDER BY position")
    assert len(logged) >= len(events)
    serving = Serving(state, "--inbox", inbox)
    end = time.monotonic() + 30
    while (inbox / "day.jsonl").exists() and time.monotonic() < end:
        time.sleep(0.05)
    assert serving.stop() == 0
    assert [path.name for path in (inbox / "done").iterdir()] == ["day.jsonl"]
    after = received(state)
    assert (rows(state, "SELECT id FROM desk_log ORDER BY position"), after[1:]) == (logged, before[1:])
    assert after[0] == before[0] + len(events), "it was not read again"
