"""The campaigns: their topic is read whole before the first order, and followed after.

An order is judged only by a view that reached the topic's end within the last ten seconds: a revision takes effect no
sooner than ten seconds after it is published, so such a view has every revision that can be in force.
"""

import asyncio
import threading
import time
from collections.abc import Callable

from confluent_kafka import KafkaError, KafkaException, Message, TopicPartition

from makeweight.adapters.hosting import Incoming
from makeweight.adapters.kafka.logs import log, reader, record
from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.codec import canonical, parse
from makeweight.contracts.problems import WireError
from makeweight.domain.book import Book
from makeweight.domain.campaigns import Campaign

FRESH_SECONDS = 10.0
LOOK_SECONDS = 1.0
CHUNK = 500

Refused = Callable[[Incoming, str, str], None]


def read_revision(raw: bytes) -> tuple[Campaign, bytes]:
    """The campaign of a record, and the content by which two revisions are told apart. ``WireError`` if it is none."""
    return read_campaign(raw), canonical(parse(raw))


class Follower:
    """Follows the topic of campaigns in a thread of its own."""

    def __init__(self, address: str, topic: str, refused: Refused) -> None:
        self._consumer = reader(address, wait_ms=500)
        self._topic, self._refused = topic, refused
        self._campaigns: dict[tuple[str, int], tuple[bytes, Campaign]] = {}
        self._next = 0
        self._fresh_at = float("-inf")
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._follow, name="campaigns", daemon=True)
        self.failed: BaseException | None = None
        self.book = Book()

    def start(self) -> None:
        """Begin to follow."""
        self._consumer.assign([TopicPartition(self._topic, 0, 0)])
        self._thread.start()

    @property
    def fresh(self) -> bool:
        """Whether the view reached the topic's end lately enough to judge by."""
        return time.monotonic() - self._fresh_at < FRESH_SECONDS

    async def wait(self) -> Book:
        """The campaigns, once the view is fresh. Raises what the thread failed with."""
        while not self.fresh:
            if self.failed is not None:
                raise self.failed
            await asyncio.sleep(0.05)
        return self.book

    def _follow(self) -> None:
        try:
            looked = float("-inf")
            while not self._stopping.is_set():
                changed = False
                for message in self._consumer.consume(CHUNK, 0.2):
                    changed = self._take(message) or changed
                if changed:
                    self.book = Book(campaign for _, campaign in self._campaigns.values())
                if time.monotonic() - looked >= LOOK_SECONDS or not self.fresh:
                    looked = time.monotonic()
                    self._look(looked)
        except Exception as error:  # noqa: BLE001 - whatever ends the thread must end the worker: it waits for `fresh`
            self.failed = error

    def _look(self, at: float) -> None:
        """Compare with the topic's end; the view is as fresh as the question was."""
        try:
            _, end = self._consumer.get_watermark_offsets(TopicPartition(self._topic, 0), timeout=2)
        except KafkaException as error:
            log.warning("campaigns: the broker does not answer: %s", error)
            return
        if self._next >= end:
            self._fresh_at = at

    def _take(self, message: Message) -> bool:
        error = message.error()
        if error is not None:
            if error.code() != KafkaError._PARTITION_EOF:  # noqa: SLF001 - librdkafka's public code, named so
                log.warning("campaigns wait for the broker: %s", error.str())
            return False
        one = record(message)
        self._next = one.offset + 1
        raw, key = one.value or b"", (one.key or b"").decode(errors="replace")
        incoming = Incoming("campaigns", key, "", "", raw, partition=one.partition, position=one.offset)
        try:
            campaign, content = read_revision(raw)
        except WireError as error_:
            self._refused(incoming, error_.code, error_.sentence)
            return False
        name = (campaign.campaign, campaign.revision)
        known = self._campaigns.get(name)
        if known is not None:
            if known[0] != content:
                text = f"campaign {name[0]!r} revision {name[1]} came before with other content; the first counts"
                self._refused(incoming, "other_content", text)
            return False
        self._campaigns[name] = (content, campaign)
        return True

    def stop(self) -> None:
        """End the thread and let go of the broker."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(10)
        self._consumer.close()
