"""Send the demo's day to the distributed service: ``python -m deploy.demo.load``.

It plays the shop and its warehouse as they are: a warehouse handles a ticket that it has got, and a customer changes an
order that the shop has confirmed. So an order's next event is sent once the tickets answer the one before; other orders
don't wait for it. Publishing is done at the instant that the day says, since the day lies in the past.
"""

import sys
import threading
import time
from collections import deque
from collections.abc import Iterator
from datetime import datetime
from typing import Any

from confluent_kafka import TopicPartition
from rich.console import Console
from rich.progress import Progress

from deploy.demo.day import day
from deploy.demo.play import HERE, PUBLISHED_AT
from makeweight.adapters.kafka.logs import reader
from makeweight.adapters.kafka.outbox import Outbox
from makeweight.adapters.kafka.publishing import event
from makeweight.adapters.kafka.wire import Names
from makeweight.bootstrap.kafka import administration, broker_of, publish_files
from makeweight.cli.console import read_settings
from makeweight.contracts.codec import dumps, parse
from makeweight.contracts.events import read_structured
from makeweight.settings import Settings

PATIENCE_SECONDS = (
    3.0  # then a next event is sent all the same: a change of what is on released paper has no new ticket
)
QUIET_SECONDS = 120  # without any ticket: then the service is not there, or does not answer
IN_FLIGHT = 300  # events sent and not answered: more, and the answers come later than people are patient
BURST = 50  # events between two looks at the tickets

err = Console(stderr=True)


class Tickets:
    """Follows the tickets: the highest order revision answered, by order, and the tickets that are out."""

    def __init__(self, settings: Settings) -> None:
        self._consumer = reader(broker_of(settings))
        self._topic = Names(settings.prefix).topic("pick-tickets")
        self._partitions = settings.partitions_order
        self.answered: dict[str, int] = {}
        self.said: dict[str, int] = {}  # how often each ticket was said, held ones aside
        self.seen = 0

    def start(self) -> None:
        """Begin with what is said from now on, and what was said before."""
        self._consumer.assign([TopicPartition(self._topic, p, 0) for p in range(self._partitions)])

    def look(self, seconds: float) -> None:
        """Take in what has been said."""
        for message in self._consumer.consume(1_000, seconds):
            if message.error() is not None:
                continue
            ticket = parse(message.value() or b"{}")
            self.seen += 1
            if ticket["state"] == "held":
                continue
            order, revision = ticket["order"], ticket["order_revision"]
            self.answered[order] = max(revision, self.answered.get(order, 0))
            self.said[ticket["ticket"]] = self.said.get(ticket["ticket"], 0) + 1

    def close(self) -> None:
        """Let go of the broker."""
        self._consumer.close()


class Course:
    """The events of the day, and which of them may be sent."""

    def __init__(self) -> None:
        self.waiting: dict[str, deque[dict[str, Any]]] = {}
        self.sent: dict[str, int] = {}
        self._sent_at: dict[str, float] = {}
        self._handled: dict[str, tuple[str, int]] = {}

    def events(self, tickets: Tickets) -> Iterator[dict[str, Any]]:
        """The events in the day's order, each held back until what comes before it on its order is answered.

        Between two, the caller looks at the tickets. Ends when all are sent.
        """
        for one in day():
            order = one["subject"]
            if order in self.waiting or not self._may(one, tickets):
                self.waiting.setdefault(order, deque()).append(one)
            else:
                yield self._send(one, tickets)
            yield from self._released(tickets, BURST)
        quiet_since, seen = time.monotonic(), tickets.seen
        while self.waiting:
            yield from self._released(tickets, len(self.waiting))
            tickets.look(0.05)
            if tickets.seen > seen:
                quiet_since, seen = time.monotonic(), tickets.seen
            if time.monotonic() - quiet_since > QUIET_SECONDS:
                raise TimeoutError(f"no ticket came for {QUIET_SECONDS} s; {len(self.waiting)} orders wait")

    def settle(self, tickets: Tickets) -> None:
        """Wait until few events are in flight; not for ever, since some change nothing that a ticket says."""
        while self._flying(tickets) >= IN_FLIGHT:
            tickets.look(0.02)

    def _flying(self, tickets: Tickets) -> int:
        lately = time.monotonic() - PATIENCE_SECONDS
        count = 0
        for order in [order for order, at in self._sent_at.items() if at < lately]:
            del self._sent_at[order]
        for order in self._sent_at:
            handled = self._handled.get(order)
            unanswered = tickets.answered.get(order, 0) < self.sent.get(order, 0)
            count += unanswered or (handled is not None and tickets.said.get(handled[0], 0) <= handled[1])
        return count

    def _released(self, tickets: Tickets, looks: int) -> Iterator[dict[str, Any]]:
        for order in list(self.waiting)[:looks]:
            queue = self.waiting[order]
            while queue and self._may(queue[0], tickets):
                yield self._send(queue.popleft(), tickets)
            if not queue:
                del self.waiting[order]

    def _may(self, one: dict[str, Any], tickets: Tickets) -> bool:
        data = one["data"]
        order = one["subject"]
        before = self.sent.get(order, 0)
        patient = time.monotonic() - self._sent_at.get(order, 0.0) < PATIENCE_SECONDS
        if before and patient and tickets.answered.get(order, 0) < before:
            return False
        handled = self._handled.get(order)
        if handled is not None and patient and tickets.said.get(handled[0], 0) <= handled[1]:
            return False  # what the warehouse did is not yet on the ticket
        return "ticket" not in data or data["ticket"] in tickets.said

    def _send(self, one: dict[str, Any], tickets: Tickets) -> dict[str, Any]:
        data, order = one["data"], one["subject"]
        if "revision" in data and "currency" in data:
            self.sent[order] = max(self.sent.get(order, 0), data["revision"])
        elif "ticket" in data:
            self._handled[order] = (data["ticket"], tickets.said.get(data["ticket"], 0))
        self._sent_at[order] = time.monotonic()
        return one


def publish_day(settings: Settings) -> None:
    """Put the day's campaigns and stock on the service."""
    files = sorted((HERE / "campaigns").glob("*.yaml"))
    publish_files(settings, files, HERE / "stock.csv", lambda: PUBLISHED_AT)


def send_day(settings: Settings, halfway: threading.Event | None = None) -> int:
    """Send the day's events; how many there were. ``halfway`` is set when half of them are sent."""
    names = Names(settings.prefix)
    outbox, tickets = Outbox(broker_of(settings)), Tickets(settings)
    tickets.start()
    total = sum(1 for _ in day())
    count, course = 0, Course()
    try:
        with Progress(console=err, transient=True, disable=not err.is_terminal) as bar:
            task = bar.add_task("events", total=total)
            for one in course.events(tickets):
                outbox.write([event(names, read_structured(dumps(one)))])
                count += 1
                if count % BURST == 0:
                    bar.update(task, completed=count)
                    tickets.look(0.01)
                    course.settle(tickets)
                if halfway is not None and count * 2 >= total:
                    halfway.set()
        outbox.flush()
    finally:
        tickets.close()
        outbox.close()
    return count


def main() -> int:
    """Wait for the topics, publish, send."""
    settings = read_settings()
    administration(settings).check()
    publish_day(settings)
    began = datetime.now().astimezone()
    count = send_day(settings)
    seconds = (datetime.now().astimezone() - began).total_seconds()
    err.print(f"{count:,} events of the demo's day sent in {seconds:.0f} s", markup=False)
    return 0


if __name__ == "__main__":
    sys.exit(main())
