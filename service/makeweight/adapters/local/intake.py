"""Group commit: events from many senders become one transaction, and each sender hears after the commit.

One thread owns the host. It waits for an event, gathers what else has come for a few milliseconds, commits the batch,
and tells every sender what became of its event.
"""

import queue
import threading
import time
from concurrent.futures import Future

from makeweight.adapters.hosting import Incoming
from makeweight.adapters.local.host import Host, Receipt
from makeweight.domain.values import value


class NotTaken(RuntimeError):
    """Events were not taken in: too many wait, or the disk can't be written. Send them again in a moment."""


@value
class Limits:
    """Events to a commit, seconds to gather them, events that may wait."""

    batch: int
    linger_seconds: float
    waiting: int


class Intake:
    """A bounded queue in front of the host."""

    def __init__(self, host: Host, limits: Limits) -> None:
        self._host, self._limits = host, limits
        self._queue: queue.Queue[tuple[list[Incoming], Future[list[Receipt]]] | None] = queue.Queue()
        self._waiting = 0
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, name="intake", daemon=True)
        self.failed: BaseException | None = None  # of the last commit; the next one that succeeds clears it

    @property
    def waiting(self) -> int:
        """Events that are not yet committed."""
        return self._waiting

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def stop(self) -> None:
        """Commit what waits, then end. One that was never started has nothing to end."""
        if self._thread.is_alive():
            self._queue.put(None)
            self._thread.join()

    def submit(self, incoming: list[Incoming]) -> "Future[list[Receipt]]":
        """Hand in events.

        The future is set after their commit, or to ``NotTaken`` if that failed. Raises it if there is no room.
        """
        future: Future[list[Receipt]] = Future()
        with self._lock:
            if self._waiting + len(incoming) > self._limits.waiting:
                raise NotTaken(f"{self._waiting} events wait for a commit; send again in a moment")
            self._waiting += len(incoming)
        self._queue.put((incoming, future))
        return future

    def _run(self) -> None:
        stopping = False
        while not stopping:
            first = self._queue.get(timeout=None)
            if first is None:
                return
            batch = [first]
            size = len(first[0])
            deadline = time.monotonic() + self._limits.linger_seconds
            while size < self._limits.batch:
                try:
                    more = self._queue.get(timeout=max(0.0, deadline - time.monotonic()))
                except queue.Empty:
                    break
                if more is None:
                    stopping = True
                    break
                batch.append(more)
                size += len(more[0])
            self._commit(batch, size)

    def _commit(self, batch: list[tuple[list[Incoming], "Future[list[Receipt]]"]], size: int) -> None:
        events = [one for incoming, _ in batch for one in incoming]
        try:
            receipts = self._host.take(events)
        except Exception as error:  # noqa: BLE001 - a database that fails must reach every sender, whatever it raised
            self.failed = error
            for _, future in [pair for pair in batch if pair[1].set_running_or_notify_cancel()]:
                future.set_exception(NotTaken(f"nothing of this was taken in: {error}"))
            return
        finally:
            with self._lock:
                self._waiting -= size
        self.failed = None
        place = 0
        for incoming, future in batch:
            if future.set_running_or_notify_cancel():  # a sender that has gone away doesn't hear; its events are taken
                future.set_result(receipts[place : place + len(incoming)])
            place += len(incoming)
