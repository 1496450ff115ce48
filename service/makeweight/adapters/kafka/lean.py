"""Two of Faust's inner loops, done with less: how messages get into an agent's queue, and out of it in batches.

Faust makes four futures a message where it drains the fetcher, and runs each through a stream's processors. And its
stream acknowledges what it skips: a message of an old generation would be committed unhandled. Both are left out here.

This touches Faust's private parts, so it is all in this module, the version is pinned, and the tests with a real broker
(killed at every step, three workers, brokers that stop) run through it.
"""

import asyncio
from collections.abc import AsyncIterator
from typing import Any

from faust.transport.drivers.aiokafka import Consumer, Transport
from faust.types import EventT

YIELD_EVERY = 100  # messages between two turns of the event loop


class LeanConsumer(Consumer):
    """Faust's consumer; messages go straight to the agents' queues while these have room."""

    async def _drain_messages(self, fetcher: Any) -> None:
        """Faust's loop of this name, without a race of futures for each message.

        While flow is active and there is room, the callback has nothing to wait for. Else Faust's way is taken: the
        message is given up once flow is suspended.
        """
        offsets = self._read_offset
        since_turn = 0
        try:
            while not (self._stopped.is_set() or fetcher._stopped.is_set()):  # noqa: SLF001 - as in Faust's own loop
                await asyncio.sleep(0)
                async for tp, message in self.getmany(timeout=1.0):
                    since_turn += 1
                    if since_turn > YIELD_EVERY:
                        await asyncio.sleep(0)
                        since_turn = 0
                    read = offsets[tp]
                    if read is not None and message.offset < read:
                        continue
                    if read and message.offset - read > 1 and self.app.topics.acks_enabled_for(message.topic):
                        await self._add_gap(tp, read + 1, message.offset)
                    if self._has_room(tp):
                        await self.callback(message)
                    else:
                        await self.wait_first(self.callback(message), self.suspend_flow.wait())
                    offsets[tp] = message.offset
        except self.consumer_stopped_errors:
            if not self.transport.app.should_stop:
                raise
        except asyncio.CancelledError:
            if not self.transport.app.should_stop:
                raise

    def _has_room(self, tp: Any) -> bool:
        if self.suspend_flow.is_set() or not self.app.flow_control.is_active():
            return False
        conductor: Any = self.app.topics
        return not any(channel.queue.full() for channel in conductor._tp_index[tp])  # noqa: SLF001 - see above


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
