"""What a stage and its host say to each other. A host runs a stage without knowing what it is about.

``decide(store, message, view) -> Verdict`` says what happened, as entries; ``fold(store, entry)`` is the only way that
state changes; ``say(store, subject) -> outputs`` gives the current level of one subject, as often as it is asked.
"""

from collections.abc import Iterator
from dataclasses import field
from typing import Any, Generic, Literal, Protocol, TypeVar

from makeweight.domain.book import Book
from makeweight.domain.moments import Instant
from makeweight.domain.values import value

T = TypeVar("T")

Subject = tuple[str, ...]  # a kind first, then the keys that name what there is to say
Result = Literal["applied", "repeat", "superseded", "conflict", "rejected"]
Channel = Literal["ledger-commands", "decisions", "pick-tickets", "offer-levels", "notices"]


class Space(Generic[T]):
    """A named part of a stage's state, and the type of its values.

    ``logged``: the value at a key is the fold of the log's entries with that key alone, so a host that keeps the log
    need not keep the value.
    """

    def __init__(self, name: str, kind: type[T], *, logged: bool = False) -> None:
        self.name, self.kind, self.logged = name, kind, logged


class Store(Protocol):
    """A stage's state: values by key. Keys of a space are ordered as text; ``due`` finds values by their due time.

    Values handed out are never changed in place. A host may keep them in memory or on disk.
    """

    def get(self, space: Space[T], key: str) -> T | None:
        """The value at a key, or None."""

    def put(self, space: Space[T], key: str, kept: T, due: Instant | None = None) -> None:
        """Set the value at a key; ``due`` is when a tick should see it, None is never."""

    def drop(self, space: Space[T], key: str) -> None:
        """Forget a key; one that isn't there is no error."""

    def scan(self, space: Space[T], prefix: str) -> Iterator[tuple[str, T]]:
        """All (key, value) whose key starts with the prefix, by key."""

    def due(self, space: Space[T], until: Instant, limit: int) -> list[str]:
        """Keys due at or before the instant, earliest first, at most ``limit``."""


@value
class View:
    """Everything ambient that a decision may use: the campaigns, and the instant of handling."""

    book: Book
    now: Instant


@value
class Message:
    """An input of a stage. The digest stands for its content where the whole input is not kept."""

    body: Any
    digest: str = ""


@value
class Problem:
    """Why an input was refused: a code for metrics, and a sentence for people. Never holds personal data."""

    code: str
    sentence: str


@value
class Verdict:
    """What became of one input: every input ends in exactly one result."""

    result: Result
    entries: list[Any] = field(default_factory=list)
    subjects: list[Subject] = field(default_factory=list)
    problem: Problem | None = None


@value
class Output:
    """Something said on a channel. ``id`` names what is said, ``route`` the key that decides the partition."""

    channel: Channel
    id: str
    route: str
    body: Any


class Stage(Protocol):
    """A stage as a host sees it."""

    name: str
    spaces: tuple[Space[Any], ...]
    urgent: frozenset[str]  # kinds of subjects that the other stage waits for; the rest may be said once a batch

    def decide(self, store: Store, message: Message, view: View) -> Verdict:
        """What happened, as entries; reads the store, changes nothing."""

    def key_of(self, entry: Any) -> str:
        """The key of an entry in the stage's log."""

    def fold(self, store: Store, entry: Any) -> list[Subject]:
        """Apply an entry to the store; the subjects on which there is now something to say."""

    def say(self, store: Store, subject: Subject) -> list[Output]:
        """The current level of a subject."""
