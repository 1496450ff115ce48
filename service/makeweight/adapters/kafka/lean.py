"""How messages get from Faust's fetcher into an agent's queue, out of it in batches, and which offsets are committed.

Faust's own loops are left out here, because they lose messages. Each was seen on a real broker:

- a fetch under way at a rebalance works on the live set of active partitions. While that is empty it takes the records
  of every partition of the new assignment, and they are dropped since flow is suspended;
- Faust then seeks to the committed offsets, but not where nothing was committed yet: they are never read again;
- what is committed is the first unbroken run of acknowledged offsets, wherever it starts if nothing was committed, so
  the next message's commit passes the dropped ones for ever;
- a stream acknowledges what it skips: a message of an old generation would be committed unhandled.

So, here: a fetch and a seek exclude each other, and what was fetched before a seek is not delivered after it; the seek
covers partitions without a commit; and a partition's commit follows what was delivered, in that order: never past a
message that was delivered and not acknowledged. It also costs less (Faust makes four futures a message).

This touches Faust's private parts, so it is all in this module, the version is pinned, and the tests with a real broker
(killed at every step, three workers, brokers that stop) run through it.
"""

import asyncio
from collections import defaultdict
from collections.abc import AsyncIterator, Iterator
from typing import Any

from faust.transport.drivers.aiokafka import AIOKafkaConsumerThread, Consumer, Transport, ensure_aiokafka_TP
from faust.types import TP, EventT, Message
from mode.utils.futures import notify

YIELD_EVERY = 100  # messages between two turns of the event loop
FETCH_WAIT_MS = 10  # for which the broker holds a fetch back if there is nothing new
FETCH_SECONDS = 0.25  # a seek waits for the fetch under way, so this is also what a rebalance may take longer


class NotSought(RuntimeError):
    """The broker did not say where a partition begins. The worker can't go on from an unknown place."""


class Delivered:
    """The messages of one partition that went to an agent, in their order, and which of them are acknowledged."""

    def __init__(self) -> None:
        self._offsets: dict[int, bool] = {}

    def add(self, offset: int) -> None:
        """A message is delivered."""
        self._offsets.setdefault(offset, False)

    def acknowledge(self, offset: int) -> None:
        """A message is handled, with everything that follows from it. One that was not delivered here is no matter."""
        if offset in self._offsets:
            self._offsets[offset] = True

    def advance(self) -> int | None:
        """Forget what is acknowledged up to the first that is not; the offset to commit, None if there is nothing new.

        Offsets that were never delivered (a transaction's markers, say) are passed with the message before them.
        """
        passed = []
        for offset, acknowledged in self._offsets.items():
            if not acknowledged:
                break
            passed.append(offset)
        for offset in passed:
            del self._offsets[offset]
        return passed[-1] + 1 if passed else None


class LeanThread(AIOKafkaConsumerThread):
    """Faust's consumer thread; a broker answers a fetch sooner.

    A partition is in no fetch while its last records are being taken: then it waits until the fetch of the others is
    answered, which with Faust's own setting takes up to 1.5 s.
    """

    def _create_worker_consumer(self, transport: Any) -> Any:
        consumer = super()._create_worker_consumer(transport)
        consumer._fetch_max_wait_ms = FETCH_WAIT_MS  # noqa: SLF001 - see above
        return consumer


class LeanConsumer(Consumer):
    """Faust's consumer, with its own way of fetching, seeking and committing."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._positions = asyncio.Lock()  # a fetch moves the positions of its partitions, and so does a seek
        self._epoch = 0  # counts the seeks
        self._delivered: dict[TP, Delivered] = defaultdict(Delivered)

    def _new_consumer_thread(self) -> Any:
        return LeanThread(self, loop=self.loop, beacon=self.beacon)

    # --- fetching and seeking --------------------------------------------------------------------------------------

    async def perform_seek(self) -> None:
        """Go to what is committed, or to the beginning where nothing is. Faust awaits it before flow is resumed."""
        async with self._positions:
            self._epoch += 1
            self._delivered.clear()
            committed = await self.seek_to_committed()
            unset = [ensure_aiokafka_TP(tp) for tp, offset in committed.items() if not offset or offset < 0]
            if unset and not await self._thread.call_thread(self._to_beginning, unset):
                raise NotSought(f"no beginning of {unset}")
            self._committed_offset.update({tp: offset or None for tp, offset in committed.items()})

    async def _to_beginning(self, partitions: list[Any]) -> bool:
        consumer = self._thread._ensure_consumer()  # noqa: SLF001 - see above
        return bool(await consumer.seek_to_beginning(*partitions))

    async def _drain_messages(self, fetcher: Any) -> None:
        """Faust's loop of this name."""
        try:
            while not (self._stopped.is_set() or fetcher._stopped.is_set()):  # noqa: SLF001 - as in Faust's own loop
                await asyncio.sleep(0)
                if not self.flow_active:
                    await self.wait(self.can_resume_flow)  # type: ignore[arg-type]  # anything that has a wait()
                elif (fetched := await self._fetch()) is not None:
                    await self._deliver(*fetched)
        except self.consumer_stopped_errors:
            if not self.transport.app.should_stop:
                raise
        except asyncio.CancelledError:
            if not self.transport.app.should_stop:
                raise

    async def _fetch(self) -> tuple[int, Any] | None:
        active = set(self._get_active_partitions())
        if not active:
            await self.sleep(FETCH_SECONDS)
            return None
        async with self._positions:
            if not self.flow_active:
                return None
            return self._epoch, await self._getmany(active, FETCH_SECONDS)

    async def _deliver(self, epoch: int, records: Any) -> None:
        """Put what was fetched into the agents' queues.

        What is left over when flow stops comes again: nothing resumes it without a seek.
        """
        since_turn = 0
        for tp, record in self.scheduler.iterate(records):
            if self._epoch != epoch or not self.flow_active:
                return
            self._delivered[tp].add(record.offset)
            message = self._to_message(tp, record)
            if self._has_room(tp):
                await self.callback(message)
            else:
                await self.wait_first(self.callback(message), self.suspend_flow.wait())
            since_turn += 1
            if since_turn > YIELD_EVERY:
                await asyncio.sleep(0)
                since_turn = 0

    def _has_room(self, tp: Any) -> bool:
        if self.suspend_flow.is_set() or not self.app.flow_control.is_active():
            return False
        conductor: Any = self.app.topics
        return not any(channel.queue.full() for channel in conductor._tp_index[tp])  # noqa: SLF001 - see above

    # --- committing ------------------------------------------------------------------------------------------------

    def ack(self, message: Message) -> bool:
        """The message is handled, and may be committed once all before it are."""
        if message.acked:
            return False
        message.acked = True
        self._unacked_messages.discard(message)
        self._delivered[message.tp].acknowledge(message.offset)
        notify(self._waiting_for_ack)
        return True

    def _filter_tps_with_pending_acks(self, topics: Any = None) -> Iterator[TP]:
        return (tp for tp in list(self._delivered) if topics is None or tp in topics or tp.topic in topics)

    def _new_offset(self, tp: TP) -> int | None:
        return self._delivered[tp].advance()


class LeanTransport(Transport):
    """Faust's transport with that consumer."""

    Consumer = LeanConsumer


async def batches(stream: Any, most: int, gather_seconds: float) -> AsyncIterator[list[EventT[Any]]]:
    """What has come into a stream's queue, up to so many events at a time, once a moment has passed for more to come.

    Faust waits for tracked messages before partitions go and before the process ends. The caller acknowledges each
    event, or marks it so that nothing else does.
    """
    queue = aiter(stream.channel).queue
    consumer = stream.app.consumer
    while not stream.should_stop:
        try:
            first = await queue.get()
        except StopAsyncIteration:
            return  # thrown into the queue when the channel is closed
        events: list[EventT[Any]] = [first]
        _track(consumer, first)
        await asyncio.sleep(gather_seconds)
        while len(events) < most and not queue.empty():
            event = queue.get_nowait()
            _track(consumer, event)
            events.append(event)
        yield events


def _track(consumer: Any, event: EventT[Any]) -> None:
    message = event.message
    if not message.tracked:
        message.tracked = True
        consumer.track_message(message)
