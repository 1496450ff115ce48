"""Everything that a worker writes goes through one librdkafka producer a stage, and is waited for.

Faust's own ``send`` returns when a record is in a buffer, and a failed batch is only logged there; here a record counts
as written when the broker has acknowledged it.
"""

import logging
from collections.abc import Callable, Iterable
from functools import partial
from typing import Any

from confluent_kafka import KafkaError, Message, Producer

from makeweight.adapters.kafka.wire import Sending
from makeweight.contracts.topics import MAX_RECORD_BYTES

FLUSH_SECONDS = 1.0  # a slice of waiting; the worker looks between two whether it should end

log = logging.getLogger("makeweight.kafka")  # librdkafka would write every failed reconnect to stderr itself


class NotWritten(RuntimeError):
    """The broker refused a record for good. Nothing that depends on it may be acknowledged."""


class Outbox:
    """Records on their way, counted until they are acknowledged."""

    def __init__(self, address: str, *, linger_ms: int = 1) -> None:
        self._producer = Producer(
            {
                "bootstrap.servers": address,
                "acks": "all",
                "enable.idempotence": True,
                # Java, aiokafka and Faust hash keys like this; librdkafka's default does not.
                "partitioner": "murmur2_random",
                "linger.ms": linger_ms,
                # A record that timed out would leave a hole behind records that were written: wait as long as it takes.
                "message.timeout.ms": 0,
                "message.max.bytes": MAX_RECORD_BYTES,
                "queue.buffering.max.messages": 1_000_000,
                "reconnect.backoff.ms": 50,
                "reconnect.backoff.max.ms": 1_000,
            },
            logger=log,
        )
        self._failed: list[KafkaError] = []

    def write(self, sendings: Iterable[Sending], offsets: list[int] | None = None) -> None:
        """Hand records over; ``offsets`` takes the offset of each in order, once acknowledged."""
        delivered = self._count if offsets is None else partial(self._place, offsets)
        for one in sendings:
            self._write(one, delivered)
        self._producer.poll(0)

    def _write(self, one: Sending, delivered: Callable[[KafkaError | None, Message], None]) -> None:
        at: dict[str, Any] = {} if one.partition is None else {"partition": one.partition}
        while True:
            try:
                self._producer.produce(
                    one.topic, one.value, one.key, headers=[*one.headers], on_delivery=delivered, **at
                )
            except BufferError:
                self._producer.poll(0.1)  # full: let some be acknowledged
            else:
                return

    def _count(self, error: KafkaError | None, _message: Message) -> None:
        if error is not None:
            self._failed.append(error)

    def _place(self, offsets: list[int], error: KafkaError | None, message: Message) -> None:
        if error is not None:
            self._failed.append(error)
        else:
            offsets.append(message.offset() or 0)

    def flush(self, stopping: Callable[[], bool] = lambda: False) -> None:
        """Wait until everything is acknowledged, however long the broker takes. For a thread: it blocks.

        ``NotWritten`` if the broker refused a record, or the worker is told to end before the broker answers.
        """
        while self._producer.flush(FLUSH_SECONDS):
            if stopping():
                raise NotWritten("the worker ends while records wait for the broker; they are decided again")
        if self._failed:
            raise NotWritten("; ".join(sorted({str(error) for error in self._failed})))

    @property
    def waiting(self) -> bool:
        """Whether anything is on its way, or failed since the last flush."""
        return bool(len(self._producer) or self._failed)

    def close(self, seconds: float = 5) -> None:
        """Let go of the broker; what is not acknowledged by then is not written."""
        self._producer.flush(seconds)
        self._producer.purge()
