"""Workers and brokers that die, stop and come back late, on a real broker: what is said stays one thing, and safe.

What a run comes to is compared with the embedded host on the recorded inputs (`check` of tests/support/fleet.py), which
is the reference here: its stages are compared with an independent model elsewhere.
"""

import shutil
import signal
import time
from contextlib import suppress
from random import Random

import pytest

from makeweight.adapters.kafka.stagehost import STEPS
from makeweight.adapters.kafka.worker import CRASHED, LEAVE_SECONDS
from tests.support.broker import Broker
from tests.support.fleet import SESSION_SECONDS, SILENT, Installation, check, unacknowledged_commits
from tests.support.week import day

SLICE = 40  # events between two faults


def slices(events, count):
    """The events in so many parts, in their order."""
    size = -(-len(events) // count)
    return [events[n : n + size] for n in range(0, len(events), size)]


@pytest.mark.parametrize("stage", ["desk", "ledger"])
def test_a_worker_killed_at_every_step(installation, stage):
    """SIGKILL after each step of a batch, with work under way; no commit is ahead of the log, and all ends well."""
    events = day(Random(11), 150, facts=False)
    installation.publish()
    for step, part in zip(STEPS, slices(events, len(STEPS)), strict=True):
        worker = installation.worker("one", "--at", f"{stage}:{step}:2:kill", ready=False)
        # In two parts, so that there is a second batch.
        installation.send(part[: len(part) // 2])
        time.sleep(4)
        installation.send(part[len(part) // 2 :])
        assert worker.wait_end() == -signal.SIGKILL, worker.tail()
        assert unacknowledged_commits(installation, installation.committed()) == []
    installation.worker("one")
    installation.send(events[::9])  # what a sender that was not told sends again
    installation.quiet()
    check(installation, events)
    assert installation.workers[-1].total("makeweight_invariant_violations_total") == 0


def test_a_backlog_and_a_lost_state_directory(installation):
    """Killed, a backlog, a start with its caches; killed again, and a start with none: the log has everything."""
    first, second, third = slices(day(Random(12), 240, facts=False), 3)
    installation.publish().worker("one")
    installation.send(first)
    time.sleep(0.5)
    installation.workers[0].kill()
    installation.send(second)
    worker = installation.worker("one")
    installation.quiet()
    worker.kill()
    shutil.rmtree(installation.folder / "one")
    installation.send(third)
    worker = installation.worker("one")
    installation.quiet()
    check(installation, [*first, *second, *third])
    assert worker.total("makeweight_restored_entries_total") > len(first)
    assert worker.total("makeweight_invariant_violations_total") == 0


def test_the_other_worker_takes_over(installation):
    """Two workers, one killed under load: its partitions are served again, and nothing is lost or said twice."""
    events = day(Random(13), 240, facts=False)
    installation.publish()
    one, two = (installation.worker(name, ready=False) for name in ("one", "two"))
    one.wait_ready()
    two.wait_ready()
    for part in slices(events, 4)[:2]:
        installation.send(part)
    one.kill()
    died = time.monotonic()
    for part in slices(events, 4)[2:]:
        installation.send(part)
    installation.quiet()
    assert time.monotonic() - died < SESSION_SECONDS + 30
    assert two.total("makeweight_partition_open") == 6
    check(installation, events)


def test_a_broker_that_stops_and_one_that_dies(tmp_path):
    """SIGSTOP for 15 s, then SIGKILL and a start with its data, under load: nothing is lost, nothing said twice.

    The worker lives through it, or sees that it gets nowhere and ends (code 70), to be started again by who runs it.
    """
    events = day(Random(14), 300, facts=False)
    parts = slices(events, 5)
    broker = Broker().start()
    installation = Installation(broker.address, tmp_path)
    try:
        worker = installation.publish().worker("one")
        installation.send(parts[0])
        broker.pause()
        time.sleep(15)
        broker.resume()
        installation.send(parts[1])
        installation.send(parts[2])
        broker.kill()
        time.sleep(3)
        broker.start()
        installation.send(parts[3])
        installation.send(parts[4])
        end = time.monotonic() + 100
        while time.monotonic() < end:
            if worker.process.poll() is not None:
                assert worker.process.returncode == CRASHED, worker.tail()
                assert "Stalled" in worker.told(), worker.tail()
                worker = installation.worker("one")
            with suppress(TimeoutError):
                installation.quiet(10)
                break
        check(installation, events)
        assert worker.total("makeweight_invariant_violations_total") == 0
    finally:
        installation.close()
        broker.close()


def test_a_worker_that_is_told_to_end_while_the_broker_is_away(tmp_path):
    """It does not wait for the broker: it ends in time, and the next one finds everything."""
    events = day(Random(16), 120, facts=False)
    first, second = slices(events, 2)
    with Broker() as broker:
        installation = Installation(broker.address, tmp_path)
        try:
            worker = installation.publish().worker("one")
            installation.send(first)
            broker.kill()
            time.sleep(1.5)
            told = time.monotonic()
            code = worker.terminate()
            assert code in (0, CRASHED), worker.tail()
            assert time.monotonic() - told < LEAVE_SECONDS + 4
            assert (code == CRASHED) == (worker.reason() != SILENT), worker.tail()
            broker.start()
            installation.send(second)
            installation.worker("one")
            installation.quiet()
            check(installation, events)
        finally:
            installation.end_workers()


def test_a_worker_that_is_told_to_end_in_the_middle_of_its_gate(installation):
    """A thread reads the log then: it comes to its end before what it reads with is closed."""
    installation.publish().worker("one")
    installation.send(day(Random(17), 150, facts=False))
    installation.quiet()
    installation.workers[0].kill()
    worker = installation.worker("slow", "--slow-gate", "0.5", ready=False)
    end = time.monotonic() + 30
    while "Starting" not in worker.log.read_text() and time.monotonic() < end:
        time.sleep(0.1)
    time.sleep(2.5)
    assert worker.terminate() == 0, worker.tail()


@pytest.mark.parametrize("code", ["same", "generous"])
def test_a_worker_paused_past_its_session_writes_late(installation, code):
    """It decided a batch and slept; its heir decided the same batch; then the late one appends first.

    With the same code nothing changes. With other code, that grants what isn't there, its late grants are void for
    every reader: what is said stays one thing, and no stock is given twice.
    """
    events = day(Random(15), 240, facts=False)
    first, second = slices(events, 2)
    installation.publish()
    other = [] if code == "same" else ["--code", code]
    backlog, more = slices(first, 2)
    installation.send(backlog)
    late = installation.worker("late", "--at", "ledger:decided:10:stop", *other)
    for part in slices(more, 12):
        installation.send(part)
        time.sleep(0.6)
    late.wait_stopped()
    heir = installation.worker("heir", "--at", "ledger:decided:1:stop", ready=False)
    heir.wait_stopped()  # the late one's session has ended, and the heir has decided what that one decided
    logged = len(installation.reading().entries("ledger"))
    late.signal(signal.SIGCONT)
    end = time.monotonic() + 30
    while len(installation.reading().entries("ledger")) == logged and time.monotonic() < end:
        time.sleep(0.2)
    heir.signal(signal.SIGCONT)
    installation.send(second)
    installation.quiet()
    check(installation, events, one_code=code == "same")
    assert heir.process.poll() is None, heir.tail()
    assert heir.total("makeweight_foreign_writes_total") > 0, "the heir did not notice the late writer"
    assert heir.total("makeweight_invariant_violations_total") == 0
    assert (heir.total("makeweight_void_grants_total") > 0) == (code == "generous")
