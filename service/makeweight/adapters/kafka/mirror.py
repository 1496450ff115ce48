"""A mirror of an installation's topics, so that a board reads Kafka as it reads an embedded service.

It follows the logs, what was said and what was put aside, in a consumer without a group: it commits nothing to the
broker and the workers don't know of it. What it keeps is `copying.py`'s database, which ``Reader`` reads.

| what happens | then |
|---|---|
| the broker is away | it waits; ``caught_up`` is false after ten seconds, what was read stays readable |
| the mirror is killed | it goes on from the positions of its last commit |
| a topic is cut beyond its position, or made anew | it says so and reads everything again, as a new generation |
| its directory is another installation's | it refuses, and changes nothing |
| a log's entry can't be read | it ends and says which: figures without it would be wrong |
"""

import logging
import threading
import time
from collections.abc import Iterable, Mapping
from pathlib import Path

from confluent_kafka import OFFSET_BEGINNING, Consumer, KafkaError, KafkaException, Message, TopicCollection
from confluent_kafka import TopicPartition as Partition
from confluent_kafka.admin import AdminClient, OffsetSpec  # type: ignore[attr-defined]  # exported by import alone

from makeweight.adapters.kafka.copying import CHANNELS, Copy, Place
from makeweight.adapters.kafka.logs import LogGone, reader
from makeweight.adapters.kafka.wire import LOGS, Names
from makeweight.domain.values import value

BATCH = 2_000  # records a transaction
WAIT_SECONDS = 0.25  # a batch is taken when it is full or this has passed: what happens is seen no later
AHEAD_BYTES = 16_777_216  # several batches, and two of the largest records
LOOK_SECONDS = 1.0  # between two questions where the topics end
FRESH_SECONDS = 10.0  # as campaigns' views are held fresh
ASK_SECONDS = 2.0  # for an answer of the broker

log = logging.getLogger("makeweight.kafka")


@value
class Seen:
    """What the broker says: by channel what tells a topic from a later one of its name, and where partitions end."""

    topics: dict[str, str]
    ends: dict[Place, int]


class Unanswered(RuntimeError):
    """The broker says nothing of a topic: it is not there yet, or has no leader."""


class Mirror:
    """Follows an installation's topics into a directory of its own, until it is told to stop."""

    def __init__(self, address: str, names: Names, directory: Path) -> None:
        """Open the directory. ``KafkaProblem`` if it is in use, or holds anything but a copy of these topics."""
        self._address, self._names = address, names
        self._copy = Copy(directory, names)
        self._admin = AdminClient({"bootstrap.servers": address, "log_level": 0}, logger=log)
        self._ends: Mapping[Place, int] = {}
        self._asked_at = self._fresh_at = self._looked_at = float("-inf")
        self._waits = False
        self.failed: BaseException | None = None

    def lag(self) -> dict[str, int]:
        """Records by channel that stand in the topics and are not read, as of the broker's last answer."""
        found = dict.fromkeys(CHANNELS, 0)
        for place, end in self._ends.items():
            found[place[0]] += max(0, end - self._copy.next.get(place, 0))
        return found

    @property
    def caught_up(self) -> bool:
        """Whether everything is read that stood in the topics at some instant of the last ten seconds."""
        return time.monotonic() - self._fresh_at < FRESH_SECONDS

    @property
    def unanswered(self) -> bool:
        """Whether the broker did not answer when it was last asked; before it is asked it is not."""
        return self._waits

    def run(self, stop: threading.Event) -> None:
        """Follow the topics until told to stop, then let go of the directory: for a thread, and for once.

        It raises nothing: where it had to end before, ``failed`` says why. ``KafkaProblem`` there: the directory is
        another cluster's copy, or a log can't be read.
        """
        try:
            while not stop.is_set():
                try:
                    self._follow(stop)
                except Unanswered as error:
                    self._wait(error)
                    stop.wait(LOOK_SECONDS)
                except LogGone as gone:
                    log.warning("the board's copy of the topics is read anew from their beginning: %s", gone)
                    self._ends, self._fresh_at = {}, float("-inf")
                    self._copy.start_anew()
        except Exception as error:  # noqa: BLE001 - whatever ends the thread must be seen on the board
            log.error("the board's copy of the topics is no longer kept up: %s", error)  # noqa: TRY400 - it says what to do
            self.failed = error
        finally:
            self._copy.close()

    def _follow(self, stop: threading.Event) -> None:
        seen = self._see()
        while seen is None:
            if stop.wait(LOOK_SECONDS):
                return
            seen = self._see()
        self._copy.check_topics(seen.topics)
        consumer = reader(self._address, wait_ms=100, ahead_bytes=AHEAD_BYTES)
        try:
            places = {place: self._partition(place) for place in seen.ends}
            consumer.assign(list(places.values()))
            # What was said comes before the logs: they tell what became of a ticket, to readers who then know it.
            later = [places.pop(place) for place in seen.ends if place[0] in LOGS.values()]
            consumer.pause(later)
            self._ends, self._looked_at = {}, float("-inf")
            while not stop.is_set():
                self._take(consumer)
                self._look()
                if later and self._reached(places):
                    consumer.resume(later)
                    later = []
        finally:
            consumer.close()

    def _partition(self, place: Place) -> Partition:
        return Partition(self._names.topic(place[0]), place[1], self._copy.next.get(place, OFFSET_BEGINNING))

    def _reached(self, places: Iterable[Place]) -> bool:
        """Whether these partitions are read to where they ended when that was last asked."""
        return bool(self._ends) and all(self._copy.next.get(one, 0) >= self._ends.get(one, 0) for one in places)

    def _take(self, consumer: Consumer) -> None:
        messages = consumer.consume(BATCH, WAIT_SECONDS)
        good = [message for message in messages if message.error() is None]
        if good:
            self._copy.take(good)
        for message in messages if len(good) < len(messages) else ():
            self._heed(message)

    def _heed(self, message: Message) -> None:
        error = message.error()
        if error is None:
            return
        place = (self._names.channel(message.topic() or ""), message.partition() or 0)
        code = error.code()
        if code == KafkaError._PARTITION_EOF:  # noqa: SLF001 - librdkafka's public codes, named so by its binding
            self._copy.reached(place, message.offset() or 0)
        elif code in (KafkaError._AUTO_OFFSET_RESET, KafkaError.OFFSET_OUT_OF_RANGE, KafkaError._LOG_TRUNCATION):  # noqa: SLF001 - as above
            if place in self._copy.next:
                raise LogGone(f"{place[0]} [{place[1]}]: {error.str()}")
            raise Unanswered(f"{place[0]} [{place[1]}]: {error.str()}")  # its beginning was asked for

    def _look(self) -> None:
        """Ask now and then where the topics end, and whether they are still the same."""
        now = time.monotonic()
        if now - self._looked_at < LOOK_SECONDS:
            self._judge()
            return
        self._looked_at = now
        seen = self._see()
        if seen is not None:
            self._copy.check_topics(seen.topics)
            self._judge()
            self._ends, self._asked_at = seen.ends, now
            self._judge()

    def _judge(self) -> None:
        """What is read is as fresh as the question whose answer it has reached."""
        if self._reached(self._ends):
            self._fresh_at = self._asked_at

    def _see(self) -> Seen | None:
        """What the broker says; None while it doesn't answer, or a topic is not there."""
        try:
            seen = self._ask()
        except (KafkaException, Unanswered) as error:
            self._wait(error)
            return None
        if self._waits:
            log.info("the broker answers the board again")
        self._waits = False
        return seen

    def _wait(self, error: Exception) -> None:
        if not self._waits:
            log.warning("the board's figures stand still, it waits for the broker: %s", _told(error))
        self._waits = True

    def _ask(self) -> Seen:
        topics = {self._names.topic(channel): channel for channel in CHANNELS}
        cluster = self._admin.describe_cluster(request_timeout=ASK_SECONDS).result().cluster_id
        self._copy.check_cluster(cluster)
        told = self._admin.describe_topics(TopicCollection(list(topics)), request_timeout=ASK_SECONDS)
        ids, places = dict[str, str](), list[Place]()
        for topic, future in told.items():
            try:
                found = future.result()
            except KafkaException as error:
                raise Unanswered(f"{topic}: {_told(error)}") from None
            ids[topics[topic]] = str(found.topic_id)
            places += [(topics[topic], partition.id) for partition in found.partitions]
        latest = OffsetSpec.latest()  # type: ignore[no-untyped-call]
        asked = {Partition(self._names.topic(channel), n): latest for channel, n in places}
        answers = self._admin.list_offsets(asked, request_timeout=ASK_SECONDS)
        ends = {(topics[one.topic], one.partition): future.result().offset for one, future in answers.items()}
        return Seen(ids, ends)


def _told(error: Exception) -> str:
    first = error.args[0] if error.args else error
    return first.str() if isinstance(first, KafkaError) else str(first)
