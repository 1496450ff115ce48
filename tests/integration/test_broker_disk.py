"""Three brokers that copy everything to each other, of which one comes back with an empty disk."""

import time
from random import Random

from confluent_kafka.admin import AdminClient

from tests.support.broker import Cluster
from tests.support.fleet import Installation, check
from tests.support.week import day


def copied(installation, copies, seconds=90):
    """Wait until each record of the installation is on so many brokers."""
    admin, end = (
        AdminClient({"bootstrap.servers": installation.settings.kafka, "log_level": 0}),
        time.monotonic() + seconds,
    )
    while time.monotonic() < end:
        topics = admin.list_topics(timeout=10).topics.items()
        ours = [topic for name, topic in topics if name.startswith(installation.settings.prefix)]
        if min(len(p.isrs) for topic in ours for p in topic.partitions.values()) >= copies:
            return
        time.sleep(0.2)
    raise AssertionError("the replicas did not catch up")


def test_a_broker_that_loses_its_disk(tmp_path):
    """Killed, and its data is gone: the others serve; it comes back empty, gets everything, and may then be needed."""
    first, second, third = (day(Random(71), 120, facts=False)[n::3] for n in range(3))
    with Cluster() as cluster:
        installation = Installation(cluster.address, tmp_path, orders=2, offers=1, replication=3)
        try:
            worker = installation.publish().worker("one")
            installation.send(first)
            installation.quiet()
            cluster.kill()
            cluster.lose_disk()
            installation.send(second)
            installation.quiet()
            cluster.start()
            copied(installation, 3)
            cluster.kill()  # the next one: what it led is now led by what has come back, or by the third
            installation.send(third)
            installation.quiet()
            check(installation, [*first, *second, *third])
            assert worker.total("makeweight_invariant_violations_total") == 0
        finally:
            installation.end_workers()
