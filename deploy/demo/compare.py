"""Compare what the distributed service made of a day with what the embedded one makes of it.

Which order gets the last unit depends on which claim reaches the ledger first, so there are two parts:

- everything that does not depend on that is compared outright with an embedded run of the same events;
- the embedded host, fed with what both stages of the distributed run took in, in the order of their logs, and its own
  outputs only compared, must come to the same canonical hash.
"""

import shutil
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from confluent_kafka import Consumer, KafkaException, TopicPartition

from deploy.demo.day import Event
from deploy.demo.play import HERE, PUBLISHED_AT, DayClock, feed
from makeweight.adapters.kafka.logs import reader
from makeweight.adapters.kafka.reading import TopicReader
from makeweight.adapters.kafka.wire import INPUTS, Names
from makeweight.adapters.local.rerun import recorded, rerun
from makeweight.bootstrap import Embedded, publish_files
from makeweight.bootstrap.kafka import broker_of
from makeweight.planning.ending import Ending, plain_differences
from makeweight.settings import Settings

CHANNELS = tuple(channel for channels in INPUTS.values() for channel in channels)


@dataclass(frozen=True)
class Comparison:
    """Both hashes of the second part, and what differs in the first; ``compared`` counts what was compared there."""

    distributed: str
    again: str
    differing: list[str]
    compared: dict[str, int]

    @property
    def equal(self) -> bool:
        """Whether both parts are equal."""
        return self.distributed == self.again and not self.differing


def wait_until_quiet(settings: Settings, seconds: float = 120) -> None:
    """Return once the workers have handled everything that is on their topics, the time of day aside."""
    names, address = Names(settings.prefix), broker_of(settings)
    asked = Consumer({"bootstrap.servers": address, "group.id": f"{settings.prefix}makeweight", "log_level": 0})
    read = reader(address)
    topics = TopicReader(read, names)
    places = [(names.topic(channel), p) for channel in CHANNELS for p in range(topics.partitions(channel))]
    end = time.monotonic() + seconds
    try:
        before = _ends(read, places, end)
        while True:
            while not _handled(asked, before):
                if time.monotonic() > end:
                    raise TimeoutError(f"the workers have not handled everything within {seconds:.0f} s")
                time.sleep(0.1)
            after = _ends(read, places, end)
            if not any(_beyond_ticks(read, place, before[place], after[place]) for place in places):
                return
            before = after
    finally:
        asked.close()
        read.close()


def _ends(consumer: Consumer, places: Iterable[tuple[str, int]], until: float) -> dict[tuple[str, int], int]:
    return {place: _end(consumer, place, until) for place in places}


def _end(consumer: Consumer, place: tuple[str, int], until: float) -> int:
    """Where a partition ends; a leader that has just become one says so only once the others have caught up."""
    while True:
        try:
            return int(consumer.get_watermark_offsets(TopicPartition(*place), timeout=10)[1])
        except KafkaException:
            if time.monotonic() > until:
                raise
            time.sleep(0.1)


def _handled(consumer: Consumer, ends: dict[tuple[str, int], int]) -> bool:
    committed = consumer.committed([TopicPartition(*place) for place in ends], timeout=10)
    return all(max(0, tp.offset) >= ends[tp.topic, tp.partition] for tp in committed)


def _beyond_ticks(consumer: Consumer, place: tuple[str, int], start: int, end: int) -> bool:
    """Whether anything but the time was written between two positions."""
    if start == end:
        return False
    consumer.assign([TopicPartition(*place, start)])
    found, last = False, start - 1
    while last < end - 1:
        for message in consumer.consume(100, 0.02):
            if message.error() is None:
                found = found or message.key() != b"tick"
                last = message.offset() or 0
    consumer.unassign()
    return found


def embedded_ending(events: Sequence[Event], files: Sequence[Path], stock: Path) -> Ending:
    """What the embedded service makes of a day."""
    folder = Path(tempfile.mkdtemp(prefix="makeweight-embedded-"))
    settings, clock = Settings(state=folder, kafka=None), DayClock()
    try:
        publish_files(settings, files, stock, clock)
        service = Embedded(settings, clock)
        service.intake.start()
        service.take_up()
        try:
            feed(service, clock, events)
            return service.reader.ending()
        finally:
            service.close()
    finally:
        shutil.rmtree(folder)


def compare(
    settings: Settings, events: Sequence[Event], progress: Callable[[str], None] = lambda _: None
) -> Comparison:
    """Compare both runtimes on a day that the distributed one has handled to its end."""
    progress("reading the topics")
    consumer = reader(broker_of(settings))
    folder = Path(tempfile.mkdtemp(prefix="makeweight-again-"))
    try:
        topics = TopicReader(consumer, Names(settings.prefix))
        distributed = topics.ending()
        inputs = [one for stage in ("desk", "ledger") for one in recorded(stage, topics.entries(stage))]
        progress("the embedded host on the recorded inputs")
        again = rerun(folder, topics.book(), inputs, PUBLISHED_AT)
    finally:
        consumer.close()
        shutil.rmtree(folder)
    progress("the embedded service on the day's events")
    embedded = embedded_ending(events, sorted((HERE / "campaigns").glob("*.yaml")), HERE / "stock.csv")
    return Comparison(distributed.hash(), again.hash(), *plain_differences(distributed, embedded))
