"""A stage on the partitions that this worker owns: log first, then believe the log.

One batch, five steps; nothing is produced before the whole batch is decided:

1. decide each input on the open (uncommitted) store; what can't be processed is put aside for `rejects`. Before an
   input is refused for what the state does not know, the log is folded to its end, and all is decided again;
2. append the new entries to the stage's log and wait for every acknowledgement;
3. compare the acknowledged offsets with the expected ones. If another writer's entries lie between, roll the store
   back, fold the log to its end and go on from what it says: the first with an id wins;
4. say: outputs from the state that the log gives, and the rejects; wait for every acknowledgement;
5. commit the store with its log and input positions. The caller then lets the batch be acknowledged.

| the process dies | then |
|---|---|
| before 2 | nothing happened; the batch comes again |
| in 2, or before 4 | the gate folds what reached the log; the batch comes again, as repeats that say everything |
| in 4, or before 5 | as above; outputs are levels, so saying them twice does no harm |
| after 5, before the acknowledgement | the batch comes again: repeats |
"""

import asyncio
import threading
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from confluent_kafka import Consumer, KafkaError, KafkaException, TopicPartition

from makeweight.adapters.hosting import DEFECTS, Clock, Incoming, Watcher, defect_code, defect_sentence
from makeweight.adapters.kafka.lane import Lane
from makeweight.adapters.kafka.logs import Interrupted, LogGone, log, read_to_end, reader
from makeweight.adapters.kafka.outbox import Outbox
from makeweight.adapters.kafka.wire import INPUTS, Names, Record, Sending, logged, read, rejected, sending
from makeweight.contracts.problems import WireError
from makeweight.domain.book import Book
from makeweight.domain.claims import Tick
from makeweight.domain.values import InvariantViolation, replaced, value
from makeweight.stages.port import Message, Output, Stage, View

T = TypeVar("T")
STOP_SECONDS = 5.0
ANSWER_SECONDS = 2.0  # for which one question waits; then it is asked again
STEPS = ("decided", "logged", "believed", "said", "committed")


class Gauges:
    """What a worker shows of its partitions; this one shows nothing."""

    def opened(self, stage: str, partition: int, *, is_open: bool) -> None:
        """A partition was opened or let go."""

    def restoring(self, stage: str, partition: int, folded: int, left: int) -> None:
        """Entries of the log were folded, and so many are left."""

    def foreign(self, stage: str) -> None:
        """Another writer's entries stood in the log."""

    def voids(self, stage: str, number: int) -> None:
        """Grants without cover were folded as declines."""

    def lags(self, topic: str, partition: int, records: int) -> None:
        """So many records of an input are not yet handled."""


@value
class Site:
    """Where a stage host works: the broker, the topics' names, what a log is known by, and a directory."""

    address: str
    names: Names
    directory: Path
    log_identity: Callable[[str], str]


def _nothing(_step: str) -> None:
    """What follows a step, unless a test wants to see it."""


class NoBeginning(RuntimeError):
    """A log was cut, and no cache here has what stood before. No state can be folded from the rest."""

    def __init__(self, topic: str, partition: int, begins: int) -> None:
        text = "what stood before is gone, and no state can be folded without it. Bring it back from a copy, or start"
        super().__init__(f"{topic} [{partition}] begins at {begins}: {text} a worker whose caches have it")


class _Poison(Exception):
    """An input on which a defect of ours showed."""

    def __init__(self, place: tuple[str, int, int], cause: BaseException) -> None:
        super().__init__(str(cause))
        self.place, self.cause = place, cause


class StageHost:
    """One stage, on all partitions that this worker owns."""

    def __init__(self, stage: Stage, site: Site, clock: Clock, watcher: Watcher, gauges: Gauges) -> None:
        self.stage, self._site, self._clock = stage, site, clock
        self._watcher, self._gauges = watcher, gauges
        self._outbox = Outbox(site.address)
        self._reader: Consumer = reader(site.address)
        self._closing = threading.Event()
        self.lanes: dict[int, Lane] = {}
        self._refused: set[int] = set()  # partitions on which the batch refuses an input
        self.generation: int | None = None
        self.lock = asyncio.Lock()
        # Told after each step; the tests kill the process there.
        self.after: Callable[[str], None] = _nothing

    # --- the gate --------------------------------------------------------------------------------------------------

    async def open(self, partitions: set[int], generation: int, go_on: Callable[[], bool]) -> None:
        """Own these partitions and no others, each restored from its log, before anything is delivered.

        Partitions that stayed are caught up too: they may have been away for a generation. Ends early, with nothing
        opened, once ``go_on`` is false: another assignment is on its way.
        """
        async with self.lock:
            self.generation = None
            for partition in set(self.lanes) - partitions:
                self.lanes.pop(partition).close()
                self._gauges.opened(self.stage.name, partition, is_open=False)
            try:
                await self._in_thread(self._open, partitions, go_on)
            except Interrupted:
                return
            self.generation = generation
            for partition in partitions:
                self._gauges.opened(self.stage.name, partition, is_open=True)

    def _open(self, partitions: set[int], go_on: Callable[[], bool]) -> None:
        topic = self._site.names.log(self.stage.name)
        for partition in partitions - set(self.lanes):
            identity = self._answer(partial(self._site.log_identity, topic), go_on)
            self.lanes[partition] = Lane(self.stage, partition, self._site.directory, identity)
        todo = {partition: self.lanes[partition] for partition in partitions}
        try:
            self._catch_up(topic, todo, go_on)
        except LogGone as error:
            log.error("%s: %s", self.stage.name, error)
            for lane in todo.values():
                self._compare(topic, lane, go_on)
            self._catch_up(topic, todo, go_on)

    def _compare(self, topic: str, lane: Lane, go_on: Callable[[], bool]) -> None:
        """Forget a file that is ahead of its log: it is no cache of it. ``NoBeginning`` where neither has it all."""
        ask = partial(self._reader.get_watermark_offsets, TopicPartition(topic, lane.partition), ANSWER_SECONDS)
        begins, end = self._answer(ask, go_on)
        is_ahead = lane.log_next > end
        if begins > (0 if is_ahead else lane.log_next):
            raise NoBeginning(topic, lane.partition, begins)
        if is_ahead:
            lane.reset()

    def _catch_up(self, topic: str, lanes: dict[int, Lane], go_on: Callable[[], bool]) -> None:
        starts = {partition: lane.log_next for partition, lane in lanes.items()}
        ends = {partition: self._end(topic, partition) for partition in lanes}
        for partition, start in starts.items():
            self._gauges.restoring(self.stage.name, partition, 0, max(0, ends[partition] - start))
        for chunk in read_to_end(self._reader, topic, starts, lambda: go_on() and not self._closing.is_set()):
            by_partition: dict[int, list[Record]] = {}
            for record in chunk:
                by_partition.setdefault(record.partition, []).append(record)
            for partition, records in by_partition.items():
                lane = lanes[partition]
                lane.begin()
                try:
                    folded = lane.take(records)
                    lane.commit({})
                except BaseException:
                    lane.undo()
                    raise
                self._void(lane)
                self._gauges.restoring(self.stage.name, partition, folded, max(0, ends[partition] - lane.log_next))

    def _answer(self, ask: Callable[[], T], go_on: Callable[[], bool]) -> T:
        """What the broker answers, however long it takes; ``Interrupted`` as in reading."""
        while go_on() and not self._closing.is_set():
            try:
                return ask()
            except KafkaException as error:
                if error.args[0].code() == KafkaError.UNKNOWN_TOPIC_OR_PART:
                    raise
                log.warning("the gate waits for the broker: %s", error)
        raise Interrupted(self.stage.name)

    def _end(self, topic: str, partition: int) -> int:
        """The end of the log as far as is known: for the gauge alone."""
        try:
            _, end = self._reader.get_watermark_offsets(TopicPartition(topic, partition), timeout=ANSWER_SECONDS)
        except KafkaException:
            return 0
        return end

    def _void(self, lane: Lane) -> None:
        if lane.voids:
            self._gauges.voids(self.stage.name, lane.voids)
            lane.voids = 0

    # --- a batch ---------------------------------------------------------------------------------------------------

    def owns(self, partition: int, generation: int | None) -> bool:
        """Whether a message of this partition and generation may be handled here."""
        return generation == self.generation and partition in self.lanes

    async def handle(self, records: Iterable[Record], book: Book) -> None:
        """Take in records of owned partitions; when this returns, everything that follows from them is durable.

        Call it with the lock held. Anything that it raises must leave the batch unacknowledged.
        """
        now = self._clock()
        view = View(book, now)
        batch: dict[int, list[Incoming]] = {}
        names = self._site.names
        for record in records:
            batch.setdefault(record.partition, []).append(read(names.channel(record.topic), record))
        self._watcher.started()
        asides = self._decide(batch, view)
        if self._refused:
            # It may be known to another writer's entries that are not folded here yet, and what is refused is lost.
            await self._in_thread(self._look_again, set(self._refused))
            asides = self._decide(batch, view)
        self.after("decided")
        bodies, offsets = self._append(batch)
        await self._flush()
        self.after("logged")
        for partition in batch:
            lane = self.lanes[partition]
            written = [s.value for s in bodies[partition]]
            if offsets[partition] == list(range(lane.log_next, lane.log_next + len(written))):
                lane.place((new.key, body) for new, body in zip(lane.new, written, strict=True))
            else:
                await self._in_thread(self._believe, lane)
        self.after("believed")
        outputs = self._say(batch, asides)
        await self._flush()
        self.after("said")
        self._commit(batch)
        self.after("committed")
        everything = [one for incoming in batch.values() for one in incoming]
        answered = [at for partition in batch for at in self.lanes[partition].answered]
        self._watcher.committed(everything, outputs, self._clock(), answered)

    def _decide(self, batch: dict[int, list[Incoming]], view: View) -> list[Sending]:
        """Step 1. An input on which the program fails is put aside, and the batch is decided again without it."""
        while True:
            try:
                return self._decide_once(batch, view)
            except _Poison as poison:
                for partition in batch:
                    self.lanes[partition].undo()
                self._watcher.dropped()
                if isinstance(poison.cause, InvariantViolation):
                    self._watcher.violation(poison.cause.code)
                error = WireError(defect_code(poison.cause), defect_sentence(poison.cause))
                for incoming in batch.values():
                    places = [(one.topic, one.partition, one.position) for one in incoming]
                    incoming[:] = [
                        replaced(one, error=error) if place == poison.place else one
                        for one, place in zip(incoming, places, strict=True)
                    ]

    def _decide_once(self, batch: dict[int, list[Incoming]], view: View) -> list[Sending]:
        asides: list[Sending] = []
        self._refused.clear()
        for partition in batch:
            self.lanes[partition].begin()
        for partition, incoming in batch.items():
            lane = self.lanes[partition]
            for one in incoming:
                problem = self._decide_one(lane, one, view)
                if problem is not None:
                    asides.append(rejected(self._site.names, one, *problem))
                    self._watcher.reject(one.topic, problem[0])
        return asides

    def _decide_one(self, lane: Lane, one: Incoming, view: View) -> tuple[str, str] | None:
        if one.error is not None:
            return one.error.code, one.error.sentence
        known = len(lane.new)
        try:
            verdict = lane.decide(one, view)
        except DEFECTS as error:
            raise _Poison((one.topic, one.partition, one.position), error) from error
        for new in lane.new[known:]:
            self._watcher.entry(self.stage.name, new.entry)
        self._watcher.result(self.stage.name, Message(one.body), verdict)
        handled_before = one.position < lane.input_next.get(one.topic, 0)
        if handled_before and verdict.result == "applied" and not isinstance(one.body, Tick):
            self._watcher.violation("S9")  # it was committed as handled, and the log has nothing of it
        if verdict.problem is None:
            return None
        if verdict.result == "rejected":
            self._refused.add(lane.partition)
        return verdict.problem.code, verdict.problem.sentence

    def _look_again(self, partitions: set[int]) -> None:
        """Fold the logs of some partitions to their ends; what was decided on them is forgotten."""
        for lane in self.lanes.values():
            lane.undo_open()
        self._watcher.dropped()
        lanes = {partition: self.lanes[partition] for partition in partitions}
        self._catch_up(self._site.names.log(self.stage.name), lanes, lambda: not self._closing.is_set())

    def _append(self, batch: dict[int, list[Incoming]]) -> tuple[dict[int, list[Sending]], dict[int, list[int]]]:
        """Step 2, without the waiting."""
        bodies: dict[int, list[Sending]] = {}
        offsets: dict[int, list[int]] = {}
        for partition in batch:
            new = self.lanes[partition].new
            bodies[partition] = [logged(self._site.names, self.stage.name, partition, n.key, n.entry) for n in new]
            offsets[partition] = []
            self._outbox.write(bodies[partition], offsets[partition])
        return bodies, offsets

    async def _flush(self) -> None:
        if self._outbox.waiting:
            await self._in_thread(self._outbox.flush, self._closing.is_set)

    def _believe(self, lane: Lane) -> None:
        """Step 3, where another writer's entries lie between."""
        self._gauges.foreign(self.stage.name)
        lane.refold()
        topic = self._site.names.log(self.stage.name)
        for chunk in read_to_end(
            self._reader, topic, {lane.partition: lane.log_next}, lambda: not self._closing.is_set()
        ):
            lane.take(chunk)
        self._void(lane)

    def _say(self, batch: dict[int, list[Incoming]], asides: list[Sending]) -> list[Output]:
        """Step 4, without the waiting."""
        said: list[Output] = []
        for partition in batch:
            outputs = self.lanes[partition].say()
            self._outbox.write(sending(self._site.names, self.stage.name, partition, output) for output in outputs)
            said += outputs
        self._outbox.write(asides)
        return said

    def _commit(self, batch: dict[int, list[Incoming]]) -> None:
        """Step 5."""
        for partition, incoming in batch.items():
            lane = self.lanes[partition]
            ends: dict[str, int] = {}
            for one in incoming:
                ends[one.topic] = max(one.position + 1, ends.get(one.topic, 0), lane.input_next.get(one.topic, 0))
            lane.commit(ends)
            self._void(lane)

    # --- time and the end ------------------------------------------------------------------------------------------

    def tick(self, slots: Iterable[Sending]) -> None:
        """Send the time to the owned partitions; a tick that is lost is followed by the next."""
        self._outbox.write(slots)

    @property
    def ticked(self) -> str:
        """The channel that carries the stage's ticks: the one that the other stage writes to."""
        return INPUTS[self.stage.name][-1]

    def end(self) -> None:
        """Stop waiting for the broker: what is under way fails, and is not acknowledged."""
        self._closing.set()

    async def _in_thread(self, function: Callable[..., None], *arguments: Any) -> None:
        """Run what waits for the broker. Cancelled is who is at the worker's end: then the thread is waited for."""
        running = asyncio.get_running_loop().run_in_executor(None, function, *arguments)
        try:
            await asyncio.shield(running)
        except asyncio.CancelledError:
            self.end()
            await asyncio.wait([running])
            raise

    async def stop(self) -> None:
        """End what is under way, then let go of everything.

        A thread that restores or writes uses what is closed here, and librdkafka does not survive that: what does not
        end soon is left to the end of the process.
        """
        self.end()
        try:
            async with asyncio.timeout(STOP_SECONDS), self.lock:
                self.close()
        except TimeoutError:
            log.warning("%s: a batch does not end; its partitions stay open", self.stage.name)

    def close(self) -> None:
        """Let go of everything, with nothing under way."""
        self.end()
        for partition in list(self.lanes):
            self.lanes.pop(partition).close()
            self._gauges.opened(self.stage.name, partition, is_open=False)
        self._reader.close()
        self._outbox.close()
