"""Workers that can't go on: each ends with code 70 and says why, nothing is lost by it, and the next one goes on.

What a run comes to is compared with the embedded host on the recorded inputs, as in test_worker_faults.py.
"""

import resource
import signal
from random import Random

from confluent_kafka.admin import AdminClient, AlterConfigOpType, ConfigEntry, ConfigResource, ResourceType

from makeweight.adapters.kafka.worker import CRASHED
from tests.support.fleet import check, unacknowledged_commits
from tests.support.week import day
from tests.support.worker import PARTS

MADE_UP = "LookupError: made up"


def ended(worker, reason, seconds=60):
    """A worker that ends with code 70, having said why in one line at level error."""
    assert worker.wait_end(seconds) == CRASHED, worker.tail()
    lines = [line for line in worker.told().splitlines() if "the worker ends: " in line]
    assert [reason in line and '"level": "error"' in line for line in lines] == [True], (worker.name, worker.tail())


def set_limit(installation, channel, size_bytes):
    """How large a record of a topic may be; the catalogue's size without one."""
    admin = AdminClient({"bootstrap.servers": installation.settings.kafka, "log_level": 0})
    entry = ConfigEntry("max.message.bytes", str(size_bytes), incremental_operation=AlterConfigOpType.SET)
    resource_ = ConfigResource(ResourceType.TOPIC, installation.names.topic(channel), incremental_configs=[entry])
    for future in admin.incremental_alter_configs([resource_]).values():
        future.result(15)


def test_a_worker_that_ends_says_why(installation):
    """Whatever part of it fails: its end, a timer, a thread of its own or of Faust's."""
    installation.publish()
    leaving = {part: installation.worker(part, "--defect", part, ready=False) for part in ("end", "endless")}
    for worker in leaving.values():
        worker.wait_answer().signal(signal.SIGTERM)
    failing = [installation.worker(part, "--defect", part, ready=False) for part in PARTS if part not in leaving]
    for worker in failing:
        ended(worker, MADE_UP)
    ended(leaving["end"], MADE_UP)
    ended(leaving["endless"], "NotEnded: not done 8 s after")


def test_a_broker_that_refuses_a_record(installation):
    """An entry is larger than its topic takes: the worker ends, what it was at is not acknowledged, and comes again."""
    events = day(Random(31), 60, facts=False)
    installation.publish()
    for channel, part in (("order-log", events[:50]), ("ledger-log", events[50:])):
        set_limit(installation, channel, 100)
        worker = installation.worker("one", ready=False)
        installation.send(part)
        ended(worker, "NotWritten: KafkaError{code=MSG_SIZE_TOO_LARGE")
        assert unacknowledged_commits(installation, installation.committed()) == []
        set_limit(installation, channel, 2_000_000)
    installation.worker("one")
    installation.quiet()
    check(installation, events)


def test_a_disk_that_fills_up_and_a_damaged_page(installation):
    """No file may grow: the worker ends at a commit, and the log has all. Then pages are written over: folded anew."""
    events = day(Random(32), 240, facts=False)
    worker = installation.publish().worker("one")
    installation.send(events[:100])
    installation.quiet()
    files = sorted((installation.folder / "one").glob("*-?.db"))
    assert len(files) == 6
    full_bytes = max(path.stat().st_size for path in (installation.folder / "one").glob("*.db*")) // 2
    resource.prlimit(worker.process.pid, resource.RLIMIT_FSIZE, (full_bytes, full_bytes))
    installation.send(events[100:200])
    ended(worker, "OperationalError: d")  # "disk I/O error", or "database or disk is full"
    assert unacknowledged_commits(installation, installation.committed()) == []
    for path in files:
        harm(path)
    worker = installation.worker("one")
    for path in files:
        assert f"{path.name} is damaged" in worker.told()
    installation.send(events[200:])
    installation.quiet()
    check(installation, events)
    assert worker.total("makeweight_invariant_violations_total") == 0


def harm(path):
    """Write over the middle of a lane's file, as a disk does that returns something else than was put on it."""
    with path.open("r+b") as file:
        file.seek(path.stat().st_size // 8192 * 4096)
        file.write(b"\xa5" * 4096)
    path.with_name(path.name + "-wal").unlink(missing_ok=True)  # or the page would come from there


def test_a_defect_of_ours_on_one_input(installation):
    """It is put aside under the name of what does not hold, and its neighbours are served as if it had not come."""
    events = day(Random(33), 40, facts=False)
    worker = installation.publish().worker("one", "--defect", "desk:O0003", "--defect", "ledger:O0008")
    installation.send(events)
    installation.quiet()
    ending, prefix = installation.ending(), installation.settings.prefix
    aside = {(r.topic.removeprefix(prefix), r.code) for r in installation.rejects()}
    assert aside == {("orders.v1", "S1"), ("ledger-commands.v1", "S1")}
    assert ending.orders.keys() == {f"O{n:04d}" for n in range(40)} - {"O0003"}
    assert {name for name, state in ending.orders.items() if state.waiting} == {"O0008"}
    assert worker.total("makeweight_invariant_violations_total") >= 2
    assert worker.process.poll() is None
