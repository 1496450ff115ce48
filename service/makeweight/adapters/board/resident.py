"""Previews changes and moves of stock, and carries them out, in a thread of its own.

The orders so far are kept in memory for the next preview. Nothing is read before somebody opens the page: whoever only
watches pays nothing for it.
"""

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import Future
from queue import SimpleQueue
from typing import Any, Protocol, TypeVar

from makeweight.adapters.documents.publishing import Published
from makeweight.adapters.telemetry.logs import logger
from makeweight.planning.changing import Change
from makeweight.planning.moving import MovePreview, StockMove
from makeweight.planning.previewing import Preview

T = TypeVar("T")


class Rehearsing(Protocol):
    """What previews and publishes; for one thread at a time."""

    @property
    def read(self) -> int:
        """How many inputs have been taken in; another thread may ask."""

    def keep_up(self) -> None:
        """Take in what is new."""

    def preview(self, change: Change) -> Preview:
        """What a change would come to; ``ChangeRefused`` if it can't be made."""

    def preview_move(self, move: StockMove) -> MovePreview:
        """What a move of stock would come to; ``ChangeRefused`` if it can't be made."""

    def publish(self, preview: Preview) -> Published:
        """Publish what was previewed; ``ChangeRefused`` if it can't be."""

    def carry_out(self, preview: MovePreview) -> None:
        """Hand a move that was previewed to the ledger; ``ChangeRefused`` if it can't be made any more."""

    def close(self) -> None:
        """Close what it reads."""


class Resident:
    """One for all pages. ``begin`` makes it of the database, again where ``generation`` says that that began anew."""

    def __init__(self, begin: Callable[[], Rehearsing], generation: Callable[[], int] = lambda: 0) -> None:
        self._begin, self._generation = begin, generation
        self._source: Rehearsing | None = None
        self._known = 0
        self._jobs: SimpleQueue[tuple[Future[Any], Callable[[Rehearsing], Any]] | None] = SimpleQueue()
        self._keeping: Future[None] | None = None
        # Ends with the process: a day that is read for the first time keeps nobody from stopping the board.
        self._thread = threading.Thread(target=self._work, name="changes", daemon=True)
        self._thread.start()

    @property
    def read(self) -> int:
        """How many inputs have been taken in."""
        source = self._source
        return source.read if source is not None else 0

    async def preview(self, change: Change) -> Preview:
        """What a change would come to, by all that is logged. ``ChangeRefused`` if it can't be made."""
        return await asyncio.wrap_future(self._put(lambda source: source.preview(change)))

    async def preview_move(self, move: StockMove) -> MovePreview:
        """What a move of stock would come to, by all that is logged. ``ChangeRefused`` if it can't be made."""
        return await asyncio.wrap_future(self._put(lambda source: source.preview_move(move)))

    async def publish(self, preview: Preview) -> Published:
        """Publish what was previewed. ``ChangeRefused`` if it can't be, ``FileErrors`` if it is no sound revision."""
        return await asyncio.wrap_future(self._put(lambda source: source.publish(preview)))

    async def carry_out(self, preview: MovePreview) -> None:
        """Hand a move that was previewed to the ledger. ``ChangeRefused`` if it can't be made any more."""
        await asyncio.wrap_future(self._put(lambda source: source.carry_out(preview)))

    def keep_up(self) -> None:
        """Have what is new taken in, so that the next preview is quick; nothing if that is going on already."""
        if self._keeping is None or self._keeping.done():
            self._keeping = self._put(lambda source: source.keep_up())
            self._keeping.add_done_callback(_tell)

    def _put(self, work: Callable[[Rehearsing], T]) -> "Future[T]":
        future: Future[T] = Future()
        self._jobs.put((future, work))
        return future

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            future, work = job
            if not future.set_running_or_notify_cancel():
                continue
            try:
                future.set_result(work(self._at_hand()))
            except BaseException as error:  # noqa: BLE001 - whoever asked is told
                future.set_exception(error)

    def _at_hand(self) -> Rehearsing:
        known = self._generation()
        if self._source is not None and known != self._known:
            self._source.close()
            self._source = None
        if self._source is None:
            self._known, self._source = known, self._begin()
        return self._source

    def close(self) -> None:
        """Take no more work."""
        self._jobs.put(None)


def _tell(done: "Future[None]") -> None:
    error = done.exception() if not done.cancelled() else None
    if error is not None:
        logger().error("not_kept_up", reason=str(error))
