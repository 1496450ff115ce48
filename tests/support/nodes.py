"""Two stages on nodes that can crash between any two steps: what is durable is the log and the bag of messages.

Messages lie in bags and are delivered in any order, any number of times. A node handles one in the host's steps
(decide, append to the log, fold, say, acknowledge) and can be killed after any of them, or in the middle of the append:
its memory is then rebuilt from its log, and the message, unacknowledged, comes again.
"""

from typing import Any

from makeweight.adapters.local.memory import MemoryStore
from makeweight.domain.book import Book
from makeweight.domain.moments import Instant
from makeweight.stages.desk import Desk
from makeweight.stages.ledger import Ledger
from makeweight.stages.port import Message, Output, Stage, View

STEPS = ("decided", "torn", "logged", "said", "acknowledged")
LEADS = {"ledger-commands": "ledger", "decisions": "desk"}


class Node:
    """One stage, its log (durable) and its store (a cache of the log)."""

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self.log: list[Any] = []
        self.store = MemoryStore()

    def rebuild(self) -> None:
        """Lose the memory and fold the log again."""
        self.store = MemoryStore()
        for entry in self.log:
            self.stage.fold(self.store, entry)


class Network:
    """Both nodes, the bags between them, and everything that was said to the outside."""

    def __init__(self, book: Book, now: Instant) -> None:
        self.book, self.now = book, now
        self.nodes = {"desk": Node(Desk()), "ledger": Node(Ledger())}
        self.bags: dict[str, list[Message]] = {"desk": [], "ledger": []}
        self.done: dict[str, list[Message]] = {"desk": [], "ledger": []}
        self.said: dict[tuple[str, str], list[Output]] = {}
        self.results: dict[str, dict[str, int]] = {"desk": {}, "ledger": {}}
        self.consumed = {"desk": 0, "ledger": 0}

    def send(self, stage: str, message: Message) -> None:
        """Put a message into a stage's bag."""
        self.bags[stage].append(message)

    def deliver(self, stage: str, place: int, crash_after: str | None = None) -> None:
        """Deliver one message of a bag, and kill the node after a step if asked."""
        message = self.bags[stage][place]
        node = self.nodes[stage]
        verdict = node.stage.decide(node.store, message, View(self.book, self.now))
        if crash_after == "decided":
            return node.rebuild()
        if crash_after == "torn":  # only the first of its entries reached the log
            node.log.extend(verdict.entries[:1])
            return node.rebuild()
        node.log.extend(verdict.entries)
        if crash_after == "logged":
            return node.rebuild()
        subjects = [s for entry in verdict.entries for s in node.stage.fold(node.store, entry)]
        for subject in [*subjects, *verdict.subjects]:
            for output in node.stage.say(node.store, subject):
                self.said.setdefault((output.channel, output.id), []).append(output)
                if output.channel in LEADS:
                    self.send(LEADS[output.channel], Message(output.body))
        if crash_after == "said":
            return node.rebuild()
        self.consumed[stage] += 1
        results = self.results[stage]
        results[verdict.result] = results.get(verdict.result, 0) + 1
        self.done[stage].append(self.bags[stage].pop(place))
        if crash_after == "acknowledged":
            node.rebuild()
        return None

    def drain(self, limit: int = 5_000) -> None:
        """Deliver everything until nothing is left; more than the limit means that the stages talk in circles."""
        for _ in range(limit):
            stage = next((name for name in ("desk", "ledger") if self.bags[name]), None)
            if stage is None:
                return
            self.deliver(stage, 0)
        raise AssertionError(f"not quiet after {limit} messages")
