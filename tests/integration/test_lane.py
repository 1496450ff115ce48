"""A stage's file on a worker is a cache of its log: whatever becomes of it, the log gives the same state again."""

import sqlite3
from datetime import UTC, datetime

import pytest

from makeweight.adapters.hosting import DEFECTS, Incoming
from makeweight.adapters.kafka.lane import Lane
from makeweight.adapters.kafka.wire import Record
from makeweight.contracts.codec import dumps
from makeweight.domain.book import Book
from makeweight.domain.claims import Receipt
from makeweight.stages.ledger import Ledger
from makeweight.stages.ledger.state import BALANCES
from makeweight.stages.port import View

VIEW = View(Book(), datetime(2026, 11, 24, 10, tzinfo=UTC))


def lane(folder, log="log-1"):
    """The ledger's lane on partition 0."""
    return Lane(Ledger(), 0, folder, log)


def batch(one, number):
    """A batch of one receipt, up to before its commit; its records in the log."""
    command = Receipt(f"r{number}", "week/tin", "TIN", "main", number)
    one.begin()
    one.decide(Incoming("ledger-commands", "week/tin", "", command.id, b"", command, position=number), VIEW)
    bodies = [(new.key, dumps(new.entry)) for new in one.new]
    records = [Record("log", 0, one.log_next + n, key.encode(), body, []) for n, (key, body) in enumerate(bodies)]
    one.place(bodies)
    return records


def received(one):
    """Tins that came in, as of the last commit."""
    return [balance.received for balance in one.committed(BALANCES)]


@pytest.fixture
def log(tmp_path):
    """Two batches, committed by a lane that is gone."""
    one, records = lane(tmp_path), []
    for number in (1, 2):
        records += batch(one, number)
        one.commit({"ledger-commands": number + 1})
    one.close()
    return records


def test_a_batch_that_was_not_committed_was_never_there(tmp_path, log):
    """The process ended between the log and the commit: the file stands where it stood, and the log has the rest."""
    one = lane(tmp_path)
    more = batch(one, 3)
    one.close()
    again = lane(tmp_path)
    assert (again.log_next, again.input_next, received(again)) == (2, {"ledger-commands": 3}, [3])
    again.begin()
    again.take(more)
    again.commit({})
    assert (again.log_next, received(again)) == (3, [6])


@pytest.mark.parametrize("harm", ["gone", "no database", "another log", "cut off", "a page"])
def test_a_file_that_is_no_cache_of_this_log_is_made_anew(tmp_path, log, harm):
    """It is folded from the log's beginning, and comes to the same."""
    path = tmp_path / "ledger-0.db"
    if harm == "gone":
        path.unlink()
    elif harm == "no database":
        path.write_bytes(b"this is no database, however one looks at it" * 100)
    elif harm == "cut off":
        path.write_bytes(path.read_bytes()[:5_000])
    elif harm == "a page":
        whole = path.read_bytes()
        path.write_bytes(whole[:8_192] + b"\xa5" * 4_096 + whole[12_288:])
    one = lane(tmp_path, "log-2" if harm == "another log" else "log-1")
    assert (one.log_next, one.input_next, received(one)) == (0, {}, [])
    one.begin()
    one.take(log)
    one.commit({})
    assert (one.log_next, received(one)) == (2, [3])


@pytest.mark.parametrize("harm", ["a page", "a value"])
def test_a_file_that_turns_out_to_be_damaged_is_deleted(tmp_path, log, harm):
    """It was whole when it was opened. The batch fails, which ends the worker, and the next one folds the log."""
    one = lane(tmp_path)
    with sqlite3.connect(tmp_path / "ledger-0.db") as other:
        if harm == "a value":
            other.execute("UPDATE state SET body = '{' WHERE space = 'ledger.balances'")
        else:
            other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            pages = other.execute("PRAGMA page_count").fetchone()[0]
            (tmp_path / "ledger-0.db").write_bytes(b"\xa5" * 4_096 * pages)
    other.close()
    with pytest.raises(sqlite3.DatabaseError) as raised:
        batch(one, 3)
    assert not isinstance(raised.value, DEFECTS), "it would be taken for a fault of the input"
    one.close()
    assert list(tmp_path.iterdir()) == []
    again = lane(tmp_path)
    assert (again.log_next, received(again)) == (0, [])
