"""A stage's state in memory: for replays and rehearsals, and the working set of a transaction."""

from bisect import bisect_left, insort
from collections.abc import Iterator
from typing import Any, TypeVar

from makeweight.domain.moments import Instant
from makeweight.stages.port import Space

T = TypeVar("T")


class MemoryStore:
    """Values by space and key, in dictionaries."""

    def __init__(self) -> None:
        self._values: dict[str, dict[str, Any]] = {}
        self._due: dict[str, dict[str, Instant]] = {}
        self._first: dict[str, Instant] = {}  # no key of a space is due before it
        self._sorted: dict[str, list[str]] = {}

    def get(self, space: Space[T], key: str) -> T | None:
        """The value at a key, or None."""
        values = self._values.get(space.name)
        return values.get(key) if values else None

    def put(self, space: Space[T], key: str, kept: T, due: Instant | None = None) -> None:
        """Set the value at a key."""
        name = space.name
        values = self._values.get(name)
        if values is None:
            values = self._values[name] = {}
        if name in self._sorted and key not in values:
            insort(self._sorted[name], key)
        values[key] = kept
        if due is not None:
            self._due.setdefault(name, {})[key] = due
            first = self._first.get(name)
            if first is None or due < first:
                self._first[name] = due
        elif name in self._due:
            self._due[name].pop(key, None)

    def drop(self, space: Space[T], key: str) -> None:
        """Forget a key."""
        if self._values.get(space.name, {}).pop(key, None) is not None and space.name in self._sorted:
            keys = self._sorted[space.name]
            del keys[bisect_left(keys, key)]
        self._due.get(space.name, {}).pop(key, None)

    def scan(self, space: Space[T], prefix: str) -> Iterator[tuple[str, T]]:
        """All (key, value) whose key starts with the prefix, by key; keys are sorted once a space is scanned."""
        values = self._values.get(space.name)
        if not values:
            return
        keys = self._sorted.setdefault(space.name, sorted(values))
        for key in keys[bisect_left(keys, prefix) :]:
            if not key.startswith(prefix):
                break
            if key in values:
                yield key, values[key]

    def due(self, space: Space[T], until: Instant, limit: int) -> list[str]:
        """Keys due at or before the instant, earliest first."""
        first = self._first.get(space.name)
        if first is None or first > until:
            return []
        waiting = self._due[space.name]
        if waiting:
            self._first[space.name] = min(waiting.values())
        else:
            del self._first[space.name]
        return [key for _, key in sorted((at, key) for key, at in waiting.items() if at <= until)[:limit]]

    def values(self, space: Space[T]) -> dict[str, T]:
        """Everything in a space."""
        return self._values.get(space.name, {})
