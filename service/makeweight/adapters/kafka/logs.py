"""Reading topics to their end: a stage's log for the gate, campaigns, and whatever a person asks for."""

import logging
from collections.abc import Callable, Iterator, Mapping

from confluent_kafka import Consumer, KafkaError, Message, TopicPartition

from makeweight.adapters.kafka.wire import Record

CHUNK = 1_000  # records between two looks at whether to go on
WAIT_SECONDS = 0.02  # a chunk is taken when it is full or this has passed: the end of a log waits no longer than this
FETCH_BYTES = 67_108_864

log = logging.getLogger("makeweight.kafka")


class LogGone(RuntimeError):
    """A position is not in the log: it was cut, or made anew. What was folded up to there is no cache of it."""


class Interrupted(RuntimeError):
    """The reader was told to end before it came to the end."""


def reader(address: str, *, wait_ms: int = 10, ahead_bytes: int = FETCH_BYTES) -> Consumer:
    """A consumer that joins no group, commits nothing and fails where a position does not exist.

    ``wait_ms``: how long the broker waits with its answer at a log's end. Short finds the end sooner, long costs less.
    ``ahead_bytes``: how much is fetched ahead of what is taken, and at most in one answer.
    """
    return Consumer(
        {
            "bootstrap.servers": address,
            "group.id": "makeweight-reader",
            "enable.auto.commit": False,
            "enable.auto.offset.store": False,
            "enable.partition.eof": True,  # the end is what the broker says it is, not a number that was asked before
            "auto.offset.reset": "error",
            "isolation.level": "read_committed",
            "fetch.max.bytes": ahead_bytes,
            "fetch.message.max.bytes": 8_388_608,
            "queued.max.messages.kbytes": ahead_bytes // 1_024,
            "fetch.wait.max.ms": wait_ms,
            "reconnect.backoff.ms": 50,
            "reconnect.backoff.max.ms": 1_000,
        },
        logger=log,
    )


def read_to_end(
    consumer: Consumer, topic: str, starts: Mapping[int, int], go_on: Callable[[], bool] = lambda: True
) -> Iterator[list[Record]]:
    """Chunks of a topic's partitions, each from a start to its end as the broker says it.

    Broker outages are waited out. ``LogGone`` where a start is not in the log; ``Interrupted`` once ``go_on`` is false.
    """
    left = set(starts)
    consumer.assign([TopicPartition(topic, partition, start) for partition, start in starts.items()])
    try:
        while left:
            if not go_on():
                raise Interrupted(topic)
            chunk: list[Record] = []
            for message in consumer.consume(CHUNK, WAIT_SECONDS):
                _sort(message, chunk, left)
            if chunk:
                yield chunk
    finally:
        consumer.unassign()


def _sort(message: Message, chunk: list[Record], left: set[int]) -> None:
    error = message.error()
    if error is None:
        chunk.append(record(message))
        return
    if error.code() == KafkaError._PARTITION_EOF:  # noqa: SLF001 - librdkafka's public code, named so by its binding
        left.discard(message.partition() or 0)
    elif error.code() in (KafkaError._AUTO_OFFSET_RESET, KafkaError.OFFSET_OUT_OF_RANGE):  # noqa: SLF001 - as above
        raise LogGone(f"{message.topic()} [{message.partition()}]: {error.str()}")
    elif error.code() == KafkaError.UNKNOWN_TOPIC_OR_PART:
        raise LogGone(f"{message.topic()} [{message.partition()}] does not exist")
    else:
        log.warning("reading waits for the broker: %s", error.str())


def record(message: Message) -> Record:
    """A record of librdkafka's."""
    return Record(
        message.topic() or "",
        message.partition() or 0,
        message.offset() or 0,
        _bytes(message.key()),
        _bytes(message.value()),
        _headers(message),
        message.timestamp()[1],
    )


def _headers(message: Message) -> list[tuple[str, bytes | None]]:
    given = message.headers() or ()
    pairs = given.items() if isinstance(given, dict) else given
    return [(name, _bytes(text)) for name, text in pairs]


def _bytes(given: str | bytes | None) -> bytes | None:
    return given.encode() if isinstance(given, str) else given
