"""What every host of the stages shares: an input as it came, who watches, and what counts as a defect of ours."""

from collections.abc import Callable
from typing import Any

from makeweight.contracts.problems import WireError
from makeweight.domain.moments import Instant
from makeweight.domain.values import InvariantViolation, value
from makeweight.stages.port import Message, Output, Verdict

Clock = Callable[[], Instant]

# What a defect of ours on one event can raise; a store's and a broker's own errors are not among them.
DEFECTS = (ValueError, TypeError, LookupError, AttributeError, ArithmeticError, AssertionError, RuntimeError)


@value
class Incoming:
    """An event as it came, and what was read in it; ``error`` where nothing could be.

    ``partition`` and ``position`` are its place in the topic, where the topic is Kafka's.
    """

    topic: str
    key: str
    source: str
    id: str
    raw: bytes
    body: Any = None
    digest: str = ""
    error: WireError | None = None
    partition: int = 0
    position: int = 0


class Watcher:
    """What telemetry makes of a host's work; this one makes nothing of it."""

    def entry(self, stage: str, entry: Any) -> None:
        """An entry was folded."""

    def result(self, stage: str, message: Message, verdict: Verdict) -> None:
        """A stage ended a message in a result."""

    def reject(self, topic: str, code: str) -> None:
        """An input went to the rejects."""

    def committed(self, incoming: list[Incoming], outputs: list[Output], now: Instant, answered: list[Instant]) -> None:
        """A batch is durable. ``answered``: when the orders were placed whose tickets now wait for nothing more."""

    def violation(self, code: str) -> None:
        """An invariant does not hold."""

    def started(self) -> None:
        """A batch begins."""

    def dropped(self) -> None:
        """A batch was rolled back."""


def defect_code(error: BaseException) -> str:
    """The reason under which an input is put aside that the program could not work on."""
    return error.code if isinstance(error, InvariantViolation) else "defect"


def defect_sentence(error: BaseException) -> str:
    """The same for people: it names the kind of the error alone, since its text may quote the input."""
    return f"the program could not work on it: {type(error).__name__}"
