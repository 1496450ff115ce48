"""The Faust app: two agents that hand batches to the stage hosts, the gate, the clock's ticks, and the way it ends.

Faust's agents without Faust's tables: what an app with tables does to a backlog at a restart is not at-least-once.
What must hold here, each line shown by a test on a real broker:

- nothing leaves an agent's loop as an exception: Faust would acknowledge the batch. What is unknown ends the process;
- a message of another generation, or of a partition that is not open, is neither handled nor acknowledged;
- the topics that the desk reads together are owned partition by partition together, or the worker does not start;
- a worker that ends otherwise than it was told to ends with code 70, and says why before it does.
"""

import asyncio
import logging
import os
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import faust
import uvloop
from aiohttp import web
from faust.types import AppT, EventT

from makeweight.adapters.hosting import Clock
from makeweight.adapters.kafka.follower import Follower
from makeweight.adapters.kafka.lean import LeanTransport, batches
from makeweight.adapters.kafka.stagehost import StageHost
from makeweight.adapters.kafka.stall import Progress, Stalled
from makeweight.adapters.kafka.wire import Names, Record, Sending
from makeweight.contracts.codec import dumps
from makeweight.contracts.events import headers
from makeweight.domain.book import Book
from makeweight.domain.claims import Tick
from makeweight.domain.moments import Instant
from makeweight.domain.values import value

TAKE = 500  # messages to a batch
GATHER_SECONDS = 0.003  # for more to come, before a batch is taken
TICK_SECONDS = 1
METADATA_MS = 3_000
LOOK_SECONDS = 5  # between two looks at whether every partition gets on
END_SECONDS = 5.0  # for a crash to end in good order; a rebalance under way would wait for the parked batch for ever
LEAVE_SECONDS = 8.0  # for a worker that is told to end; whoever tells it often kills it after ten
SAY_SECONDS = 1.0
CRASHED = 70

log = logging.getLogger("makeweight.worker")


@value
class Plan:
    """What a worker needs to know."""

    address: str
    names: Names
    group: str
    worker: str | None
    host: str
    port: int
    directory: Path
    session_seconds: float = 15.0


class NotEnded(RuntimeError):
    """The worker was told to end, and something in it did not."""


class NotCoPartitioned(RuntimeError):
    """Topics that are read together are not owned together: one order's messages would meet in two places."""


class Worker:
    """One process of the distributed service."""

    def __init__(self, plan: Plan, hosts: Sequence[StageHost], follower: Follower, clock: Clock) -> None:
        self._plan, self._clock = plan, clock
        self.hosts = {host.stage.name: host for host in hosts}
        self.follower = follower
        self.metrics_page: Any = None  # a coroutine function that answers GET /metrics
        self.on_second: Any = lambda: None  # called once a second, for gauges
        self.crashed: BaseException | None = None
        self._site: web.AppRunner | None = None
        self._progress = Progress(plan.address, plan.group)
        self.app = self._faust_app()

    def _faust_app(self) -> faust.App:
        plan = self._plan
        plan.directory.mkdir(parents=True, exist_ok=True)
        app = _App(
            plan.group,
            broker=[f"kafka://{one}" for one in plan.address.split(",")],
            autodiscover=False,
            # The only assignor of Faust's that co-partitions; without standby replicas it is aiokafka's round robin.
            table_standby_replicas=1,
            topic_disable_leader=True,
            topic_allow_declare=False,
            store="memory://",
            datadir=str(plan.directory / "faust"),
            web_enabled=False,
            worker_redirect_stdouts=False,
            stream_wait_empty=True,  # a batch in flight ends before its partitions go, and before the process does
            stream_buffer_maxsize=16_384,  # below that the fetch loop sleeps a second whenever all partitions are full
            broker_commit_interval=1.0,
            broker_max_poll_records=TAKE,
            broker_session_timeout=plan.session_seconds,
            broker_heartbeat_interval=max(1.0, plan.session_seconds / 5),
            broker_rebalance_timeout=15.0,
            broker_client_id=plan.worker or plan.group,
            consumer_group_instance_id=plan.worker or "",
            consumer_auto_offset_reset="earliest",
            consumer_max_fetch_size=8_388_608,
            # A broker that has just come back may not know its topics yet. Who leads the group then gives out none of
            # them, and looks again only when it next asks: by default after five minutes.
            consumer_metadata_max_age_ms=METADATA_MS,
        )
        app.worker = self
        for name, host in self.hosts.items():
            topic = app.topic(
                *plan.names.inputs(name),
                key_type=bytes,
                value_type=bytes,
                key_serializer="raw",
                value_serializer="raw",
            )
            app.agent(topic, name=f"makeweight.{name}")(self._agent(host))
        app.on_rebalance_complete.connect(self._gate)  # type: ignore[arg-type]  # its protocol wants *args as well
        app.timer(TICK_SECONDS)(self._second)
        app.timer(LOOK_SECONDS)(self._look)
        return app

    # --- messages --------------------------------------------------------------------------------------------------

    def _agent(self, host: StageHost) -> Any:
        async def take(stream: Any) -> None:
            async for events in batches(stream, TAKE, GATHER_SECONDS):
                await self._take(host, events)
                for event in events:
                    event.ack()

        return take

    async def _take(self, host: StageHost, events: Sequence[EventT[Any]]) -> None:
        done = False
        try:
            book = await self.follower.wait() if host.stage.name == "desk" else Book()
            async with host.lock:
                mine = self._mine(host, events)
                if mine:
                    await host.handle(mine, book)
            done = True
        except asyncio.CancelledError:
            raise
        except BaseException as error:  # noqa: BLE001 - whatever it is, it must not leave the loop: Faust would acknowledge
            await self.crash(error)
        finally:
            if not done:
                for event in events:
                    event.message.acked = True  # it is not: marked so, nothing commits it

    @staticmethod
    def _mine(host: StageHost, events: Sequence[EventT[Any]]) -> list[Record]:
        mine: list[Record] = []
        for event in events:
            m = event.message
            if host.owns(m.partition, m.generation_id):
                mine.append(Record(m.topic, m.partition, m.offset, m.key, m.value, _pairs(m.headers)))
            else:
                m.acked = True  # as above: it comes again, here or to its new owner
        return mine

    # --- partitions ------------------------------------------------------------------------------------------------

    async def _gate(self, app: AppT, **_: Any) -> None:
        """Awaited by Faust before the partitions of a new assignment are resumed."""
        try:
            assigned = app.consumer.assignment()
            generation = app.consumer_generation_id
            owned = {name: self._owned(name, assigned) for name in self.hosts}

            def go_on() -> bool:
                return not app.should_stop and app.consumer_generation_id == generation

            for name, host in self.hosts.items():
                await host.open(owned[name], generation, go_on)
            log.info("partitions open: %s", {name: sorted(partitions) for name, partitions in owned.items()})
        except Exception as error:  # noqa: BLE001 - nothing may be delivered after a gate that failed
            await self.crash(error)

    def _owned(self, stage: str, assigned: Any) -> set[int]:
        topics = self._plan.names.inputs(stage)
        owned = {topic: {tp.partition for tp in assigned if tp.topic == topic} for topic in topics}
        if len({frozenset(partitions) for partitions in owned.values()}) > 1:
            told = "; ".join(f"{topic} {sorted(partitions)}" for topic, partitions in owned.items())
            raise NotCoPartitioned(f"the partitions assigned to the {stage} differ by topic: {told}")
        return owned[topics[0]]

    async def _second(self) -> None:
        """Send the time, and show where things stand."""
        if self.follower.failed is not None:  # a worker without a batch would not see it
            await self.crash(self.follower.failed)
        now = self._clock()
        for host in self.hosts.values():
            if host.generation is not None:
                host.tick([self._tick(host, partition, now) for partition in sorted(host.lanes)])
        try:
            self.on_second()
        except Exception as error:  # noqa: BLE001 - gauges that can't be shown for a second are no reason to end
            log.warning("gauges: %s: %s", type(error).__name__, error)

    async def _look(self) -> None:
        """End the process if a partition gets nowhere. While a batch waits for the broker, so does this."""
        busy = any(host.generation is None or host.lock.locked() for host in self.hosts.values())
        if busy or not self.follower.fresh or self.crashed is not None:
            return
        names = self._plan.names
        owned = [(topic, p) for name, host in self.hosts.items() for topic in names.inputs(name) for p in host.lanes]
        try:
            await asyncio.to_thread(self._progress.look, owned)
        except Stalled as error:
            await self.crash(error)

    def _tick(self, host: StageHost, partition: int, now: Instant) -> Sending:
        slot = now.replace(microsecond=0)
        tick = Tick(f"tick:{host.stage.name}:{partition}:{slot.isoformat()}", slot)
        told = headers("tick", tick.id, "makeweight/clock", "")
        topic = self._plan.names.topic(host.ticked)
        return Sending(topic, b"tick", dumps(tick), told, partition)

    # --- beginning and end -----------------------------------------------------------------------------------------

    async def start(self) -> None:
        """Follow the campaigns, and answer /metrics and /health."""
        self.follower.start()
        application = web.Application()
        if self.metrics_page is not None:
            application.router.add_get("/metrics", self.metrics_page)
        application.router.add_get("/health", self._health)
        self._site = web.AppRunner(application, access_log=None)
        await self._site.setup()
        await web.TCPSite(self._site, self._plan.host, self._plan.port).start()

    async def _health(self, _: web.Request) -> web.Response:
        closed = [name for name, host in self.hosts.items() if host.generation is None]
        if self.crashed is not None:
            return web.Response(status=503, text=f"ending: {type(self.crashed).__name__}\n")
        if closed or not self.follower.fresh:
            waits = [*(f"{name} has no partitions open" for name in closed)]
            waits += [] if self.follower.fresh else ["the campaigns are not read to their end"]
            return web.Response(status=503, text=f"not ready: {'; '.join(waits)}\n")
        return web.Response(text="ready\n")

    async def crash(self, error: BaseException) -> None:
        """End the process, with nothing of what is under way acknowledged. Never returns."""
        self.ends(error)
        self._exit_after(END_SECONDS)
        for host in self.hosts.values():
            host.end()
        await self.app.crash(error)
        await asyncio.Event().wait()

    def ends(self, error: BaseException) -> None:
        """Say why the worker ends: once, and what comes after follows from it. From any thread."""
        if self.crashed is None:
            self.crashed = error
            log.error("the worker ends: %s: %s", type(error).__name__, error, exc_info=error)

    def leave(self) -> None:
        """Begin to end. A broker that doesn't answer can't hold it up: what is not committed comes again."""
        self._exit_after(LEAVE_SECONDS)

    def _exit_after(self, seconds: float) -> None:
        def end() -> None:
            error = NotEnded(f"not done {seconds:.0f} s after it began to end; what is not committed comes again")
            saying = threading.Thread(target=self.ends, args=(error,), daemon=True)
            saying.start()
            saying.join(SAY_SECONDS)  # whoever reads the log may have stopped reading, which must not hold it up
            os._exit(CRASHED)

        timer = threading.Timer(seconds, end)
        timer.daemon = True
        timer.start()

    async def stop(self) -> None:
        """Let go of everything; batches in flight have ended."""
        for host in self.hosts.values():
            await host.stop()
        self.follower.stop()
        self._progress.close()
        if self._site is not None:
            await self._site.cleanup()

    def run(self, loglevel: str, logging_config: dict[str, Any]) -> int:
        """Run until told to end; the exit code. SIGTERM ends the batch in flight, commits and leaves."""
        # The consumer's thread has asyncio's own loop: uvloop raises where a connection has just closed, which aiokafka
        # doesn't expect: its coordinator ends, or waits for ever.
        loop = uvloop.new_event_loop()
        asyncio.set_event_loop(loop)
        self.app.loop = loop
        runner = self.app.Worker(
            loop=loop, loglevel=loglevel, logging_config=logging_config, redirect_stdouts=False, quiet=True, debug=False
        )
        try:
            runner.execute_from_commandline()
        except SystemExit as end:
            if end.code:
                self.ends(end.__context__ or end)  # of what fails in Faust's own end the code is all that it says
        except BaseException as error:  # noqa: BLE001 - whatever it is, it is said like any other reason
            self.ends(error)
        return 0 if self.crashed is None else CRASHED


def _pairs(given: Any) -> list[tuple[str, bytes | None]]:
    return list(given.items()) if isinstance(given, dict) else list(given or ())


class _App(faust.App):
    """Faust's app, with our start and end."""

    worker: Worker

    def _new_transport(self) -> Any:
        return LeanTransport(self.conf.broker_consumer, self)

    async def on_start(self) -> None:
        await self.worker.start()
        await super().on_start()

    async def on_stop(self) -> None:
        self.worker.leave()
        try:
            await super().on_stop()
            await self.worker.stop()
        except Exception as error:
            self.worker.ends(error)
            raise

    def _crash(self, reason: BaseException) -> None:
        # Whatever crashes in Faust marks the app so: a timer, a commit, its consumer's thread.
        self.worker.ends(reason)
        super()._crash(reason)
