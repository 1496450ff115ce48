"""The broker that the tests stand on does what they ask of it, and all clients agree on where a key belongs."""

import subprocess
import threading
import time
from collections import Counter
from uuid import uuid4

import pytest
from aiokafka.partitioner import DefaultPartitioner, murmur2
from confluent_kafka import OFFSET_BEGINNING, Consumer, KafkaException, Producer, TopicPartition
from confluent_kafka.admin import AdminClient, NewTopic

from makeweight.adapters.kafka.reading import partition_of
from tests.support import broker as module
from tests.support.broker import Broker, GivenBroker, NoBroker, found_broker, jars

PARTITIONS = 12
KEYS = [f"order-{n}-ü" if n % 7 == 0 else f"order-{n}" for n in range(1_000)]
REFERENCE = """
import org.apache.kafka.clients.producer.internals.BuiltInPartitioner;
import org.apache.kafka.common.utils.Utils;
import java.io.*;
import static java.nio.charset.StandardCharsets.UTF_8;

/** Reads keys, one a line; writes their hashes and partitions, as Kafka's own producer has them. */
class Murmur {
    public static void main(String[] arguments) throws IOException {
        int partitions = Integer.parseInt(arguments[0]);
        PrintStream out = new PrintStream(System.out, false, UTF_8);
        BufferedReader in = new BufferedReader(new InputStreamReader(System.in, UTF_8));
        for (String line = in.readLine(); line != null; line = in.readLine()) {
            byte[] key = line.getBytes(UTF_8);
            out.println(Utils.murmur2(key) + " " + BuiltInPartitioner.partitionForKey(key, partitions));
        }
        out.flush();
    }
}
"""


@pytest.fixture(scope="module")
def own():
    """A broker of these tests alone: they kill it."""
    with Broker() as made:
        yield made


def topic_on(broker, partitions=1):
    """Make a topic; its name."""
    name = f"t{uuid4().hex[:8]}"
    admin = AdminClient({"bootstrap.servers": broker.address, "log_level": 0})
    admin.create_topics([NewTopic(name, partitions, 1)])[name].result(15)
    return name


def produced(broker, topic, records, **settings):
    """Write records (key, value); the partition that the broker acknowledged for each key."""
    placed, problems = {}, []

    def told(error, message):
        if error is not None:
            problems.append(error)
        else:
            placed[message.key().decode()] = message.partition()

    producer = Producer({"bootstrap.servers": broker.address, "acks": "all", "log_level": 0, **settings})
    for key, value in records:
        producer.produce(topic, key=key, value=value, on_delivery=told)
    assert producer.flush(30) == 0
    assert problems == []
    return placed


def read(broker, topic, count, seconds=15.0):
    """The first records of a topic's first partition, as (key, value)."""
    consumer = Consumer({"bootstrap.servers": broker.address, "group.id": "readers", "log_level": 0})
    consumer.assign([TopicPartition(topic, 0, OFFSET_BEGINNING)])
    found, end = [], time.monotonic() + seconds
    while len(found) < count and time.monotonic() < end:
        message = consumer.poll(0.2)
        if message is not None and message.error() is None:
            found.append((message.key().decode(), message.value().decode()))
    consumer.close()
    return found


def test_a_record_written_is_read(own):
    """A topic is made, and what is written to it is read."""
    topic = topic_on(own)
    produced(own, topic, [("a", "1"), ("b", "2")])
    assert read(own, topic, 2) == [("a", "1"), ("b", "2")]


@pytest.mark.parametrize("end", ["killed", "stopped"])
def test_a_broker_that_ended_starts_again_with_what_it_acknowledged(own, end):
    """However it ended, it comes back under its address with every record that a client was told of."""
    topic, address = topic_on(own), own.address
    records = [(str(n), f"value {n}") for n in range(500)]
    produced(own, topic, records)
    if end == "killed":
        own.kill()
        own.start()
    else:
        own.restart()
    assert own.address == address
    assert read(own, topic, 500) == records
    produced(own, topic, [("last", "word")])
    assert read(own, topic, 501)[-1] == ("last", "word")


def test_a_paused_broker_answers_nobody_until_it_is_resumed(own):
    """Paused it is silent, not gone: what is written meanwhile is acknowledged once it goes on."""
    topic, placed = topic_on(own), {}
    own.pause()
    try:
        with pytest.raises(KafkaException):
            AdminClient({"bootstrap.servers": own.address, "log_level": 0}).list_topics(timeout=1)
        writing = threading.Thread(target=lambda: placed.update(produced(own, topic, [("a", "1")])))
        writing.start()
        time.sleep(1)
        assert placed == {}
    finally:
        own.resume()
    writing.join(30)
    assert placed == {"a": 0}
    assert read(own, topic, 1) == [("a", "1")]


def java_reference(folder):
    """(hash, partition) of each key by Kafka's own code."""
    source = folder / "Murmur.java"
    source.write_text(REFERENCE)
    command = ["java", "-cp", jars(), str(source), str(PARTITIONS)]
    done = subprocess.run(command, input="\n".join(KEYS), capture_output=True, encoding="utf-8", check=True)
    return [tuple(int(number) for number in line.split()) for line in done.stdout.splitlines()]


def test_every_client_puts_a_key_on_the_same_partition(own, tmp_path):
    """As it is set here, librdkafka agrees with aiokafka (which Faust uses), Kafka's own Java and our own sum.

    Campaigns, claims and orders meet by key; with two partitioners a worker would look for them where they are not.
    """
    topic, everywhere = topic_on(own, PARTITIONS), list(range(PARTITIONS))
    placed = produced(own, topic, [(key, "") for key in KEYS], partitioner="murmur2_random")
    java = java_reference(tmp_path)
    partitioner = DefaultPartitioner()
    assert [murmur2(key.encode()) & 0xFFFFFFFF for key in KEYS] == [number & 0xFFFFFFFF for number, _ in java]
    assert [placed[key] for key in KEYS] == [partition for _, partition in java]
    assert [partitioner(key.encode(), everywhere, everywhere) for key in KEYS] == [partition for _, partition in java]
    assert [partition_of(key, PARTITIONS) for key in KEYS] == [partition for _, partition in java]
    assert len(Counter(placed.values())) == PARTITIONS


def test_a_producer_that_is_left_as_it_comes_disagrees(own):
    """Why every producer of ours names its partitioner: librdkafka's own choice is another hash."""
    topic, everywhere = topic_on(own, PARTITIONS), list(range(PARTITIONS))
    placed = produced(own, topic, [(key, "") for key in KEYS])
    partitioner = DefaultPartitioner()
    same = sum(placed[key] == partitioner(key.encode(), everywhere, everywhere) for key in KEYS)
    assert same < len(KEYS) / PARTITIONS * 2, "by chance about one in twelve agrees"


def test_a_given_address_is_used_and_left_alone(own, monkeypatch):
    """Someone else's broker is not ours to start or end."""
    monkeypatch.setenv(module.ADDRESS, own.address)
    found = found_broker()
    assert isinstance(found, GivenBroker)
    found.close()
    topic_on(own)


def test_a_machine_without_any_broker_is_told_what_to_install(monkeypatch):
    """No address, no Java, no engine: one message names all that would do."""
    monkeypatch.delenv(module.ADDRESS, raising=False)
    monkeypatch.delenv(module.IMAGE, raising=False)
    monkeypatch.setenv("PATH", "/nonexistent")
    monkeypatch.setenv("DOCKER_HOST", "unix:///nonexistent.sock")
    with pytest.raises(NoBroker, match=r"Java 17 or newer and Maven .* or Docker, or set MAKEWEIGHT_TEST_KAFKA"):
        found_broker()
