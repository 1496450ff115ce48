"""The gate when things fail in it: a worker that dies between two chunks, and logs that the caches do not fit."""

import shutil
import signal
import sqlite3
from random import Random

import pytest
from confluent_kafka import TopicPartition
from confluent_kafka.admin import AdminClient

from makeweight.adapters.kafka.administration import KafkaProblem
from makeweight.adapters.kafka.wire import LOGS
from makeweight.adapters.kafka.worker import CRASHED
from makeweight.bootstrap.kafka import administration
from makeweight.contracts.messages import TICKET
from tests.support.fleet import check, check_books, event_id
from tests.support.week import day

CHUNK = 20  # entries


def places(installation, worker, stage):
    """Up to where a worker's files hold the log, by partition; the worker is down."""
    found = {}
    for path in (installation.folder / worker).glob(f"{stage}-?.db"):
        with sqlite3.connect(path) as database:
            found[int(path.stem[-1])] = int(database.execute("SELECT body FROM meta WHERE name = 'log'").fetchone()[0])
        database.close()
    return found


def restored(worker, stage):
    """Entries that its gate has folded."""
    return worker.metrics()[f'makeweight_restored_entries_total{{stage="{stage}"}}']


def test_a_worker_that_dies_in_its_gate(installation):
    """SIGKILL after some chunks of each stage: they are kept with their place; the next gate folds the rest alone."""
    events = day(Random(41), 150, facts=False)
    installation.publish().worker("one")
    installation.send(events[:-10])
    installation.quiet()
    installation.workers[0].kill()
    shutil.rmtree(installation.folder / "one")
    logged = {stage: len(installation.reading().entries(stage)) for stage in LOGS}
    for stage in LOGS:
        worker = installation.worker("one", "--in-gate", f"{stage}:3:kill", "--chunk", str(CHUNK), ready=False)
        assert worker.wait_end() == -signal.SIGKILL, worker.tail()
        assert 3 <= sum(places(installation, "one", stage).values()) <= 3 * CHUNK < logged[stage]
    kept = {stage: sum(places(installation, "one", stage).values()) for stage in LOGS}
    worker = installation.worker("one")
    assert {stage: restored(worker, stage) for stage in LOGS} == {s: logged[s] - kept[s] for s in LOGS}
    installation.send(events[-10:])
    installation.quiet()
    check(installation, events)
    assert worker.total("makeweight_invariant_violations_total") == 0


def cut(installation, begins):
    """Delete what stands before these places of the logs, as retention does."""
    admin = AdminClient({"bootstrap.servers": installation.settings.kafka, "log_level": 0})
    at = [TopicPartition(installation.names.log(s), p, place) for s in LOGS for p, place in begins[s].items()]
    for future in admin.delete_records(at).values():
        future.result(15)


def made_anew(installation):
    """Delete both logs and make them again, with nothing in them."""
    admin = AdminClient({"bootstrap.servers": installation.settings.kafka, "log_level": 0})
    for future in admin.delete_topics([installation.names.log(stage) for stage in LOGS]).values():
        future.result(15)
    administration(installation.settings).apply()


def ticketed(installation):
    """Orders that there are tickets of."""
    return {TICKET.loads(record.value).order for record in installation.reading().records("pick-tickets")}


def orders_of(events):
    """The orders that some events are about."""
    return {event_id(data)[1] for _, data in events}


def test_a_log_without_its_beginning(installation):
    """A worker whose caches have what was cut goes on; the others end, and say what is missing: nothing is lost.

    Half an order can't be folded, and whoever would tell stories from such a log is refused too.
    """
    first, second, third = (day(Random(42), 60, facts=False)[n::3] for n in range(3))
    installation.publish()
    for name, events in (("stale", first), ("whole", second)):
        worker = installation.worker(name)
        installation.send(events)
        installation.quiet()
        worker.kill()
    stale = {stage: places(installation, "stale", stage) for stage in LOGS}
    cut(installation, {stage: {p: place + 1 for p, place in stale[stage].items()} for stage in LOGS})
    with pytest.raises(KafkaProblem, match="no longer has its beginning"):
        installation.ending()
    installation.send(third)
    for worker in [installation.worker(name, ready=False) for name in ("stale", "none")]:
        assert worker.wait_end() == CRASHED, worker.tail()
        assert "NoBeginning" in worker.reason()
    worker = installation.worker("whole")
    installation.quiet()
    assert ticketed(installation) == orders_of([*first, *second, *third])
    assert worker.total("makeweight_restored_entries_total") == 0
    assert worker.total("makeweight_invariant_violations_total") == 0


def test_a_log_that_is_not_the_one_of_the_caches(installation):
    """Made anew under its name, or shorter than the caches: they are forgotten, and what the log has is folded."""
    first, second, third = (day(Random(43), 60, facts=False)[n::3] for n in range(3))
    worker = installation.publish().worker("one")
    installation.send(first)
    installation.quiet()
    worker.kill()
    made_anew(installation)
    worker = installation.worker("one")
    assert worker.told().count("is no cache of this log") == 6
    assert worker.total("makeweight_restored_entries_total") == 0
    installation.send(second)
    installation.quiet()
    worker.kill()
    for path in (installation.folder / "one").glob("*-?.db"):
        with sqlite3.connect(path) as database:
            database.execute("UPDATE meta SET body = body + 1000 WHERE name = 'log'")
        database.close()
    worker = installation.worker("one")
    logged = {stage: len(installation.reading().entries(stage)) for stage in LOGS}
    assert {stage: restored(worker, stage) for stage in LOGS} == logged
    installation.send(third)
    installation.quiet()
    ending = installation.ending()
    assert ending.orders.keys() == orders_of([*second, *third])
    assert not any(state.waiting for state in ending.orders.values())
    check_books(ending)
    assert worker.total("makeweight_invariant_violations_total") == 0
