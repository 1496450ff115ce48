"""Walking one input through both stages until nothing is left to say between them.

The engine knows the stages' port and which channel leads to which stage, and nothing else. What it does not do: keep
anything. A host opens the stores, records what the engine hands it, and commits all of it or nothing.
"""

from collections import deque
from collections.abc import Iterable
from typing import Any, Protocol

from makeweight.domain.book import Book
from makeweight.domain.moments import Instant
from makeweight.stages.port import Message, Output, Stage, Store, Subject, Verdict, View

MAX_WALK = 100_000  # messages that one input may cause; beyond it the stages are talking in circles


class Recorder(Protocol):
    """What a host makes of the engine's work."""

    def entry(self, stage: Stage, entry: Any) -> None:
        """An entry is about to be folded."""

    def result(self, stage: Stage, message: Message, verdict: Verdict) -> None:
        """A message, from outside or from the other stage, ended in a result."""


class Engine:
    """Two stages and their stores, in one process."""

    def __init__(
        self, desk: tuple[Stage, Store], ledger: tuple[Stage, Store], recorder: Recorder, *, routed: bool = True
    ) -> None:
        self._stages = {"desk": desk, "ledger": ledger}
        # Not routed: what one stage says does not reach the other, which hears what another run recorded.
        self._leads = {} if not routed else {"ledger-commands": "ledger", "decisions": "desk"}
        self._recorder = recorder
        self._unsaid: dict[tuple[str, Subject], None] = {}
        self.book = Book()

    def handle(self, stage: str, message: Message, now: Instant) -> Verdict:
        """Take in a message from outside, and everything that follows from it inside. Its own verdict is returned."""
        view = View(self.book, now)
        todo: deque[tuple[str, Message]] = deque([(stage, message)])
        first: Verdict | None = None
        for _ in range(MAX_WALK):
            if not todo:
                break
            name, message = todo.popleft()
            verdict = self._step(name, message, view, todo)
            first = first or verdict
        else:
            raise RuntimeError(f"one message to the {stage} caused more than {MAX_WALK} others")
        assert first is not None
        return first

    def _step(self, name: str, message: Message, view: View, todo: deque[tuple[str, Message]]) -> Verdict:
        stage, store = self._stages[name]
        verdict = stage.decide(store, message, view)
        for entry in verdict.entries:
            self._recorder.entry(stage, entry)
            self._subjects(name, stage, store, stage.fold(store, entry), todo)
        if verdict.subjects:
            self._subjects(name, stage, store, verdict.subjects, todo)
        self._recorder.result(stage, message, verdict)
        return verdict

    def _subjects(
        self, name: str, stage: Stage, store: Store, subjects: Iterable[Subject], todo: deque[tuple[str, Message]]
    ) -> None:
        for subject in subjects:
            if subject[0] in stage.urgent:
                for output in stage.say(store, subject):
                    if output.channel in self._leads:
                        todo.append((self._leads[output.channel], Message(output.body)))
            else:
                # Levels need to be said only once, as they are when all is quiet.
                self._unsaid[name, subject] = None

    def outputs(self) -> list[Output]:
        """What is to be said to the outside since the last call: the latest level of everything that changed."""
        said: dict[tuple[str, str], Output] = {}
        for name, subject in self._unsaid:
            stage, store = self._stages[name]
            for output in stage.say(store, subject):
                said[output.channel, output.id] = output
        self._unsaid.clear()
        return list(said.values())

    def outputs_dropped(self) -> None:
        """After a rollback: what was to be said was never decided."""
        self._unsaid.clear()
