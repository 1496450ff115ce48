"""Rejects as they are read from their topic on a real broker: the newest, each once, whatever else lies there."""

import base64

from confluent_kafka import TopicPartition
from confluent_kafka.admin import AdminClient

from makeweight.contracts.codec import dumps
from makeweight.contracts.messages import Reject


def put(installation, key, position, topic=None, body=b"{}"):
    """A reject of an order event, as a worker says it."""
    where = installation.names.topic("orders") if topic is None else topic
    one = Reject(where, 0, position, key, "malformed", f"number {position}", base64.b64encode(body).decode())
    installation.write("rejects", key.encode(), dumps(one))


def test_the_newest_are_told(installation):
    """One that is said again counts once; of a key alone, the newest first; what is no reject is passed over."""
    for position in range(5):
        put(installation, f"A{position % 2}", position, body=b"\xff" * position)
    put(installation, "A0", 0)  # its batch came again
    installation.write("rejects", b"A0", None)
    installation.write("rejects", b"A0", b"no json")
    installation.write("rejects", b"A0", dumps(Reject("t", 0, 0, "A0", "malformed", "s", "a")))
    put(installation, "A1", 9, topic="another.orders.v1")
    topics = installation.reading()
    assert [(one.topic, one.key, one.sentence) for one in topics.rejects(100)] == [
        ("another.orders.v1", "A1", "number 9"),
        ("orders", "A0", "number 4"),
        ("orders", "A1", "number 3"),
        ("orders", "A0", "number 2"),
        ("orders", "A1", "number 1"),
        ("orders", "A0", "number 0"),
    ]
    assert [one.body for one in topics.rejects(100, key="A0")] == [b"\xff" * 4, b"\xff" * 2, b""]
    assert [one.sentence for one in topics.rejects(2)] == ["number 9", "number 4"]
    assert topics.rejects(100, key="nobody") == []


def test_a_topic_that_no_longer_has_its_beginning(installation):
    """Rejects are kept for thirty days: what is older is gone, and the rest is told."""
    for position in range(3):
        put(installation, "A0", position)
    topics = installation.reading()
    partition = next(p for p in range(topics.partitions("rejects")) if topics.records("rejects", p))
    place = TopicPartition(installation.names.topic("rejects"), partition, 2)
    admin = AdminClient({"bootstrap.servers": installation.settings.kafka})
    for future in admin.delete_records([place]).values():
        future.result()
    for key in ("A0", None):
        assert [one.sentence for one in installation.reading().rejects(100, key=key)] == ["number 2"]
