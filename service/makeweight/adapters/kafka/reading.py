"""Reading an installation from its topics: one order's story, and what everything came to."""

import base64
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from heapq import heappop, heappush
from typing import Any, TypeVar

from aiokafka.partitioner import murmur2
from confluent_kafka import Consumer, KafkaException, TopicPartition

from makeweight.adapters.kafka.administration import KafkaProblem
from makeweight.adapters.kafka.logs import CHUNK, LogGone, log, read_to_end
from makeweight.adapters.kafka.publishing import published_documents
from makeweight.adapters.kafka.wire import LOGS, Names, Record, entry_of
from makeweight.adapters.local.memory import MemoryStore
from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.codec import dumps
from makeweight.contracts.messages import LEVEL, REJECT, TICKET, Reject
from makeweight.contracts.problems import WireError
from makeweight.domain.book import Book
from makeweight.domain.entries import DeskEntry, Judged
from makeweight.domain.moments import Instant
from makeweight.domain.stock import Balance
from makeweight.domain.tickets import OfferLevel
from makeweight.domain.values import value
from makeweight.insight.tally import Tally
from makeweight.planning.ending import Ending, latest
from makeweight.planning.rejects import ASIDE_OF_AN_ORDER, PutAside
from makeweight.planning.story import story
from makeweight.stages.desk import Desk
from makeweight.stages.desk.standing import in_window, standing
from makeweight.stages.desk.state import ORDERS, OrderState
from makeweight.stages.ledger import Ledger
from makeweight.stages.ledger.state import BALANCES, CLAIMS, OFFERS

SECONDS = 15
T = TypeVar("T")
Progress = Callable[[int], None]


def partition_of(key: str, partitions: int) -> int:
    """The partition of a key, as Kafka's own clients hash it (murmur2)."""
    return int((murmur2(key.encode()) & 0x7FFFFFFF) % partitions)


def _answer(ask: Callable[[], T]) -> T:
    """What a broker answers; ``KafkaProblem`` if none does."""
    try:
        return ask()
    except KafkaException as error:
        told = error.args[0].str() if error.args else str(error)
        raise KafkaProblem(f"no Kafka broker answers ({told}); start it, or set MAKEWEIGHT_KAFKA") from None


def _reject(record: Record) -> Reject | None:
    try:
        one = REJECT.loads(record.value or b"")
        base64.b64decode(one.body)
    except (WireError, ValueError) as error:
        log.warning("a record of %s can't be read and is left out: %s", record.topic, error)
        return None
    return one


def _place(one: Reject) -> tuple[str, int, int]:
    return one.topic, one.partition, one.position


@value
class Totals:
    """What everything adds up to. ``watermark``: no partition that has orders has seen none of later than that."""

    tally: Tally
    exhausted: dict[str, Instant | None]
    balances: list[Balance]
    watermark: Instant | None


class TopicReader:
    """Answers questions from the topics."""

    def __init__(self, consumer: Consumer, names: Names) -> None:
        self._consumer, self._names = consumer, names

    def partitions(self, channel: str) -> int:
        """How many partitions a topic has; ``KafkaProblem`` if there is none."""
        topic = self._names.topic(channel)
        found = _answer(lambda: self._consumer.list_topics(topic, timeout=SECONDS).topics[topic])
        if found.error is not None or not found.partitions:
            raise KafkaProblem(f"topic {topic} does not exist; make the topics with `makeweight topics apply`")
        return len(found.partitions)

    def records(self, channel: str, partition: int | None = None, progress: Progress | None = None) -> list[Record]:
        """All records of a topic or of one of its partitions, each partition in its order."""
        count = self.partitions(channel)
        starts = dict.fromkeys(range(count) if partition is None else [partition], 0)
        found: list[Record] = []
        for record in self._records(channel, starts):
            found.append(record)
            if progress and not len(found) % CHUNK:
                progress(len(found))
        return found

    def _records(self, channel: str, starts: dict[int, int]) -> Iterator[Record]:
        try:
            for chunk in read_to_end(self._consumer, self._names.topic(channel), starts):
                yield from chunk
        except LogGone as error:
            raise KafkaProblem(f"the topic no longer has its beginning: {error}") from None

    def _begins(self, channel: str, partition: int) -> int:
        place = TopicPartition(self._names.topic(channel), partition)
        begins, _ = _answer(lambda: self._consumer.get_watermark_offsets(place, timeout=SECONDS))
        return int(begins)

    def rejects(self, limit: int, *, key: str | None = None) -> list[PutAside]:
        """The latest inputs that were put aside, the newest first, with their bytes; ``key``: of that key alone.

        A reject is said again when its batch comes again, so each place in a topic counts once. Records that are no
        rejects are passed over. No more than ``limit`` are kept at a time.
        """
        count = self.partitions("rejects")
        wanted = [partition_of(key, count)] if key else range(count)
        starts = {number: self._begins("rejects", number) for number in wanted}
        seen: set[tuple[str, int, int]] = set()
        latest: list[tuple[int, int, Reject]] = []  # a heap: by time, then in the order in which they are read
        for record in self._records("rejects", starts):
            one = _reject(record)
            if one is None or (key is not None and one.key != key) or (place := _place(one)) in seen:
                continue
            seen.add(place)
            heappush(latest, (record.at_ms, len(seen), one))
            if len(latest) > limit:
                heappop(latest)
        return [self._aside(at_ms, one) for at_ms, _, one in sorted(latest, key=lambda kept: kept[:2], reverse=True)]

    def _aside(self, at_ms: int, one: Reject) -> PutAside:
        at, body = datetime.fromtimestamp(at_ms / 1_000, UTC), base64.b64decode(one.body)
        return PutAside(at, self._names.called(one.topic), one.key, one.code, one.sentence, body)

    def book(self) -> Book:
        """The published campaigns."""
        documents = published_documents(self._consumer, self._names).values()
        return Book(read_campaign(dumps(dict(document))) for document in documents)

    def entries(self, stage: str, progress: Progress | None = None) -> list[Any]:
        """A stage's log: its partitions one after the other, each in its order."""
        records = self.records(LOGS[stage], progress=progress)
        return [entry_of(stage, r.value or b"") for r in sorted(records, key=lambda r: (r.partition, r.offset))]

    def ending(self) -> Ending:
        """What everything has come to so far: the fold of both logs, and the tickets on their topic."""
        desk, ledger = Desk(), Ledger()
        desk_store, ledger_store = MemoryStore(), MemoryStore()
        for entry in self.entries("desk"):
            desk.fold(desk_store, entry)
        for entry in self.entries("ledger"):
            ledger.fold(ledger_store, entry)
        return Ending(
            desk_store.values(ORDERS),
            list(ledger_store.values(CLAIMS).values()),
            list(ledger_store.values(BALANCES).values()),
            latest(TICKET.loads(r.value) for r in self.records("pick-tickets") if r.value),
        )

    def totals(self, progress: Progress | None = None) -> Totals:
        """What all orders count for, when offers ran out, and how far every partition of the desk's log has come."""
        desk, store, newest = Desk(), MemoryStore(), dict[int, Instant]()
        for record in self.records(LOGS["desk"], progress=progress):
            entry = entry_of("desk", record.value or b"")
            desk.fold(store, entry)
            if isinstance(entry, Judged):
                at = max(entry.order.placed_at, entry.order.revised_at)
                newest[record.partition] = max(at, newest.get(record.partition, at))
        tally = Tally()
        for state in store.values(ORDERS).values():
            tally.add(standing(state))
            tally.add_in_window(in_window(state))
        ledger, books = Ledger(), MemoryStore()
        for entry in self.entries("ledger"):
            ledger.fold(books, entry)
        exhausted = {name: offer.exhausted_at for name, offer in books.values(OFFERS).items()}
        balances = list(books.values(BALANCES).values())
        return Totals(tally, exhausted, balances, min(newest.values(), default=None))

    def explain(self, order: str, progress: Progress | None = None) -> dict[str, Any] | None:
        """The story of an order, or None if it was never seen."""
        state, entries = self.order(order, progress)
        if state is None:
            return None
        aside = self.rejects(ASIDE_OF_AN_ORDER, key=order)
        return story(state, entries, self.book(), self.level, reversed(aside))

    def level(self, offer: str) -> OfferLevel | None:
        """The latest level of an offer, None if none was ever said."""
        partition = partition_of(offer, self.partitions("offer-levels"))
        found = [LEVEL.loads(r.value) for r in self.records("offer-levels", partition) if r.value]
        return max((level for level in found if level.offer == offer), key=lambda level: level.sequence, default=None)

    def order(self, order: str, progress: Progress | None = None) -> tuple[OrderState | None, list[DeskEntry]]:
        """An order as the desk knows it, or None if it was never seen; and the entries that it is the fold of.

        Reads the order's partition of the desk's log.
        """
        partition = partition_of(order, self.partitions("order-log"))
        key = order.encode()
        count = 0
        entries: list[DeskEntry] = []
        for chunk in read_to_end(self._consumer, self._names.topic("order-log"), {partition: 0}):
            entries += [entry_of("desk", r.value or b"") for r in chunk if r.key == key]
            count += len(chunk)
            if progress:
                progress(count)
        store, desk = MemoryStore(), Desk()
        for entry in entries:
            desk.fold(store, entry)
        return store.get(ORDERS, order), entries
