"""A store as it will be: what a command's first entries make of it is folded here, and the next decided from it."""

from collections.abc import Iterator
from heapq import merge
from typing import Any, TypeVar, cast

from makeweight.domain.moments import Instant
from makeweight.stages.port import Space, Store

T = TypeVar("T")
_GONE = object()


class Ahead:
    """A store whose changes stay its own. It is made for one decision, and keeps only what that touches."""

    def __init__(self, under: Store) -> None:
        self._under = under
        self._over: dict[str, dict[str, Any]] = {}

    def get(self, space: Space[T], key: str) -> T | None:
        """The value at a key: as it was put here, else as it is underneath."""
        kept = self._over.get(space.name, {}).get(key)
        if kept is None:
            return self._under.get(space, key)
        return None if kept is _GONE else cast("T", kept)

    def put(self, space: Space[T], key: str, kept: T, due: Instant | None = None) -> None:  # noqa: ARG002 - asks nobody
        """Set the value at a key, here alone."""
        self._over.setdefault(space.name, {})[key] = kept

    def drop(self, space: Space[T], key: str) -> None:
        """Forget a key, here alone."""
        self._over.setdefault(space.name, {})[key] = _GONE

    def scan(self, space: Space[T], prefix: str) -> Iterator[tuple[str, T]]:
        """All (key, value) whose key starts with the prefix, by key, as of the call."""
        over = {key: kept for key, kept in self._over.get(space.name, {}).items() if key.startswith(prefix)}
        under = ((key, kept) for key, kept in self._under.scan(space, prefix) if key not in over)
        own = ((key, over[key]) for key in sorted(over) if over[key] is not _GONE)
        return merge(under, own, key=lambda found: found[0])

    def due(self, space: Space[T], until: Instant, limit: int) -> list[str]:
        """Keys due underneath: nothing here is put with a due time."""
        return self._under.due(space, until, limit)
