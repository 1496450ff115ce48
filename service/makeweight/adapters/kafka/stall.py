"""A last resort: a partition that is owned, and has records, and gets nowhere.

After an outage of the broker a consumer has been seen to go on with some topics and never to read the others again,
without an error. Nothing is lost then, but orders wait. A worker that sees it ends, and whoever runs it starts it anew.
"""

import threading
import time
from collections.abc import Iterable

from confluent_kafka import Consumer, KafkaException, TopicPartition

from makeweight.adapters.kafka.logs import log

STALL_SECONDS = 30.0  # far above a commit's interval, and what a batch takes
ASK_SECONDS = 5.0


class Stalled(RuntimeError):
    """Records wait on an owned partition, and nothing of them was committed for a long time."""


class Progress:
    """Compares what the group has committed with where the topics end. Asks the broker: for a thread."""

    def __init__(self, address: str, group: str) -> None:
        self._consumer = Consumer(
            {"bootstrap.servers": address, "group.id": group, "enable.auto.commit": False}, logger=log
        )
        self._seen: dict[tuple[str, int], tuple[int, float]] = {}
        self._looking = threading.Lock()

    def look(self, owned: Iterable[tuple[str, int]]) -> None:
        """``Stalled`` if a partition of these has got nowhere for long. A broker that doesn't answer starts it over."""
        with self._looking:
            self._look(list(owned))

    def _look(self, places: list[tuple[str, int]]) -> None:
        now = time.monotonic()
        try:
            committed = self._consumer.committed([TopicPartition(*place) for place in places], timeout=ASK_SECONDS)
            seen: dict[tuple[str, int], tuple[int, float]] = {}
            for tp in committed:
                place, at = (tp.topic, tp.partition), max(0, tp.offset)
                _, end = self._consumer.get_watermark_offsets(TopicPartition(*place), timeout=ASK_SECONDS)
                before = self._seen.get(place)
                if at >= end or before is None or before[0] != at:
                    seen[place] = (at, now)
                elif now - before[1] < STALL_SECONDS:
                    seen[place] = before
                else:
                    raise Stalled(f"{place[0]} [{place[1]}] stands at {at} of {end} for {STALL_SECONDS:.0f} s")
            self._seen = seen
        except KafkaException as error:
            self._seen.clear()
            log.warning("progress: the broker does not answer: %s", error)

    def close(self) -> None:
        """Let go of the broker. While a thread still asks it the end of the process does that: closing would crash."""
        if self._looking.acquire(blocking=False):
            self._consumer.close()
