"""Send the demo's day to the distributed service: ``python -m deploy.demo.load``.

It plays the shop and its warehouse as they are: a warehouse handles a ticket that it has got, and a customer changes an
order that the shop has confirmed. So an order's next event is sent once the service has handled the one before and its
tickets wait for nothing; other orders don't wait for it. Publishing is done at the instant that the day says, since the
day lies in the past.
"""

import sys
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from confluent_kafka import Consumer, TopicPartition
from rich.console import Console
from rich.progress import Progress

from deploy.demo.day import Event, day
from deploy.demo.floor import stocktaking
from deploy.demo.play import HERE, PUBLISHED_AT
from makeweight.adapters.kafka.logs import reader
from makeweight.adapters.kafka.outbox import Outbox
from makeweight.adapters.kafka.publishing import command, event
from makeweight.adapters.kafka.reading import TopicReader, partition_of
from makeweight.adapters.kafka.wire import Names, Sending
from makeweight.bootstrap.kafka import administration, broker_of, publish_files
from makeweight.cli.console import read_settings
from makeweight.contracts.codec import dumps, parse
from makeweight.contracts.events import read_structured
from makeweight.domain.claims import Count
from makeweight.domain.values import replaced
from makeweight.settings import Settings

QUIET_SECONDS = 120  # without anything handled: then the service is not there, or does not answer
IN_FLIGHT = 1_000  # events sent and not yet handled
LOOK_SECONDS = 0.2  # between two looks at how far the service is

err = Console(stderr=True)


class Service:
    """What can be seen of the service from outside: how far it is, and whose tickets are held."""

    def __init__(self, settings: Settings) -> None:
        names, address = Names(settings.prefix), broker_of(settings)
        self._group = Consumer(
            {"bootstrap.servers": address, "group.id": f"{settings.prefix}makeweight", "log_level": 0}
        )
        self._tickets = reader(address)
        topics = TopicReader(self._tickets, names)
        self.partitions, self.offer_partitions = topics.partitions("orders"), topics.partitions("ledger-commands")
        self._inputs = [TopicPartition(names.topic(c), p) for c in ("orders", "fulfilment") for p in self._all()]
        commands = names.topic("ledger-commands")
        self._inputs += [TopicPartition(commands, p) for p in range(self.offer_partitions)]
        self._topic = names.topic("pick-tickets")
        self._next = dict.fromkeys(self._all(), 0)
        self._tickets.assign([TopicPartition(self._topic, p, 0) for p in self._all()])
        self._latest: dict[str, tuple[int, int, bool]] = {}
        self.handled: dict[tuple[str, int], int] = {}
        self.held: dict[str, set[str]] = {}
        self._looked = 0.0

    def _all(self) -> range:
        return range(self.partitions)

    def look(self) -> bool:
        """See how far the service is, at most every so often. True if it was looked."""
        if time.monotonic() - self._looked < LOOK_SECONDS:
            return False
        committed = self._group.committed(self._inputs, timeout=10)
        # What is committed has been said before: the tickets up to here show all that came of it.
        ends = {
            p: self._tickets.get_watermark_offsets(TopicPartition(self._topic, p), timeout=10)[1] for p in self._all()
        }
        while any(self._next[p] < end for p, end in ends.items()):
            for message in self._tickets.consume(1_000, 0.1):
                if message.error() is None:
                    self._next[message.partition() or 0] = (message.offset() or 0) + 1
                    self._see(parse(message.value() or b"{}"))
        self.handled = {(tp.topic, tp.partition): max(0, tp.offset) for tp in committed}
        self._looked = time.monotonic()
        return True

    def _see(self, ticket: Event) -> None:
        known = self._latest.get(ticket["ticket"], (0, 0, False))
        new = (ticket["order_revision"], ticket["edition"], ticket["state"] == "held")
        if new[:2] >= known[:2]:
            self._latest[ticket["ticket"]] = new
            held = self.held.setdefault(ticket["order"], set())
            (held.add if new[2] else held.discard)(ticket["ticket"])

    def close(self) -> None:
        """Let go of the broker."""
        self._group.close()
        self._tickets.close()


@dataclass
class _Sent:
    """An order's last event: where it went, and the offset that it got there once the broker has it."""

    place: tuple[str, int]
    offsets: list[int] = field(default_factory=list)


@dataclass
class _Said:
    """What someone says of stock once an order's event is handled; it waits its turn like an event of the order."""

    order: str
    command: Count


class Course:
    """The events of a day, and which of them may be sent."""

    def __init__(self, service: Service, outbox: Outbox, names: Names) -> None:
        self._service, self._outbox, self._names = service, outbox, names
        self._waiting: dict[str, deque[Event | _Said]] = {}
        self._said = stocktaking()
        self._last: dict[str, _Sent] = {}
        self._flying: set[str] = set()

    def send(self, events: Iterable[Event]) -> Iterator[Event]:
        """Send the events in their order, each held back until the one before it on its order is done with."""
        for one in events:
            order = one["subject"]
            then = self._said.get(one["id"])
            if order in self._waiting or not self._done(order):
                self._waiting.setdefault(order, deque()).append(one)
            else:
                yield self._send(one)
            if then is not None:
                self._waiting.setdefault(order, deque()).append(_Said(order, then))
            while True:
                if self._look():
                    yield from self._released()
                if len(self._flying) < IN_FLIGHT:
                    break
                time.sleep(LOOK_SECONDS / 4)
        moved = time.monotonic()
        while self._waiting:
            for one in self._released():
                moved = time.monotonic()
                yield one
            if time.monotonic() - moved > QUIET_SECONDS:
                raise TimeoutError(f"nothing was handled for {QUIET_SECONDS} s; {len(self._waiting)} orders wait")
            time.sleep(LOOK_SECONDS / 4)
            self._look()

    def _released(self) -> Iterator[Event]:
        for order in list(self._waiting):
            if self._done(order):
                queue = self._waiting[order]
                one = queue.popleft()
                if not queue:
                    del self._waiting[order]
                if isinstance(one, _Said):
                    self._say(one)
                else:
                    yield self._send(one)

    def _handled(self, sent: _Sent) -> bool:
        return bool(sent.offsets) and sent.offsets[0] < self._service.handled.get(sent.place, 0)

    def _done(self, order: str) -> bool:
        sent = self._last.get(order)
        return sent is None or (self._handled(sent) and not self._service.held.get(order))

    def _look(self) -> bool:
        self._outbox.write([])  # takes in what the broker has acknowledged
        if not self._service.look():
            return False
        self._flying = {order for order in self._flying if not self._handled(self._last[order])}
        return True

    def _send(self, one: Event) -> Event:
        partition = partition_of(one["subject"], self._service.partitions)
        self._write(one["subject"], replaced(event(self._names, read_structured(dumps(one))), partition=partition))
        return one

    def _say(self, one: _Said) -> None:
        partition = partition_of(one.command.offer, self._service.offer_partitions)
        self._write(one.order, replaced(command(self._names, one.command), partition=partition))

    def _write(self, order: str, record: Sending) -> None:
        sent = self._last[order] = _Sent((record.topic, record.partition or 0))
        self._flying.add(order)
        self._outbox.write([record], sent.offsets)


def publish_day(settings: Settings) -> None:
    """Put the day's campaigns and stock on the service."""
    files = sorted((HERE / "campaigns").glob("*.yaml"))
    publish_files(settings, files, HERE / "stock.csv", lambda: PUBLISHED_AT)


def send_day(settings: Settings, events: Sequence[Event], halfway: Callable[[], None] = lambda: None) -> int:
    """Send a day's events; how many there were. ``halfway`` is called when half of them are sent."""
    outbox, service = Outbox(broker_of(settings)), Service(settings)
    count, course = 0, Course(service, outbox, Names(settings.prefix))
    try:
        with Progress(console=err, transient=True, disable=not err.is_terminal) as bar:
            task = bar.add_task("events", total=len(events))
            for _ in course.send(events):
                count += 1
                bar.update(task, completed=count)
                if count == len(events) // 2:
                    halfway()
        outbox.flush()
    finally:
        service.close()
        outbox.close()
    return count


def main() -> int:
    """Wait for the topics, publish, send."""
    settings = read_settings()
    administration(settings).check()
    publish_day(settings)
    # The campaigns are dated back, so the usual notice of ten seconds is not given: workers look every second.
    time.sleep(2)
    began = datetime.now().astimezone()
    count = send_day(settings, list(day()))
    seconds = (datetime.now().astimezone() - began).total_seconds()
    err.print(f"{count:,} events of the demo's day sent in {seconds:.0f} s", markup=False)
    return 0


if __name__ == "__main__":
    sys.exit(main())
