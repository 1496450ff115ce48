"""A simulated worker: both stages on the partitions that it owns, in the five steps of the real host.

A batch is a generator that stops after every step and in the middle of both flushes. There another worker may run, and
this one may crash, be paused, or lose its partitions.
"""

from datetime import timedelta

from makeweight.domain.claims import Arrival, Damage, Tick, Transfer
from makeweight.domain.values import InvariantViolation
from makeweight.stages.desk import Desk
from makeweight.stages.ledger import Ledger
from makeweight.stages.port import Message, View
from tests.simulation.broker import INPUTS
from tests.simulation.lane import Lane
from tests.simulation.versions import GenerousLedger, StubbornDesk

# Where a batch may stop: 'appending' and 'saying' are in the middle of a flush.
STEPS = ("decided", "appending", "logged", "believed", "saying", "said", "committed")
DESK, LEDGER = Desk(), Ledger()
DEFECTS = (ValueError, TypeError, LookupError, AttributeError, ArithmeticError, AssertionError, RuntimeError)
_CHANNELS = {"ledger-commands": 0, "decisions": 0, "pick-tickets": 1, "offer-levels": 2, "notices": 3}


class Violation(Exception):
    """An invariant that does not hold: its code, and what was seen."""

    def __init__(self, code, text):
        super().__init__(f"{code}: {text}")
        self.code, self.text = code, text


def _torn(outputs, cut):
    """Two halves of a flush: what the broker has by the time of a crash, and the rest.

    A partition's records arrive in order, but partitions independently: by the bits of ``cut`` some have everything and
    others nothing, or all of them a part.
    """
    if cut & 3 == 0:
        first = [o for o in outputs if cut >> (2 + 2 * _CHANNELS[o.channel] + len(o.route) % 2) & 1]
        rest = [o for o in outputs if not cut >> (2 + 2 * _CHANNELS[o.channel] + len(o.route) % 2) & 1]
        return first, rest
    until = len(outputs) * (cut & 3) // 4
    return outputs[:until], outputs[until:]


class Host:
    """One stage in one worker."""

    def __init__(self, world, worker, stage):
        self.world, self.worker, self.stage = world, worker, stage
        self.name = stage.name
        self.lanes, self.positions = {}, {}
        self.generation = 0
        self.running, self.at = None, ""

    # --- the gate ----------------------------------------------------------------------------------------------------

    def open(self, partitions, generation):
        """Own these partitions and no others, each caught up with its log; read from what is committed."""
        for partition in set(self.lanes) - partitions:
            self.close(partition)
        for partition in partitions - set(self.lanes):
            self.lanes[partition] = self.opened(partition)
        self.generation = generation
        committed = self.world.broker.committed
        self.positions = {(c, p): committed[c, p] for c in INPUTS[self.name] for p in sorted(partitions)}
        self.catch_up(self.lanes)
        for partition, lane in self.lanes.items():
            lane.gate_end = len(self.world.broker.logs[self.name, partition])

    def opened(self, partition):
        """A lane as it is found on disk, or a new one: a file that is ahead of its log is no cache of it."""
        lane = self.worker.disk.pop((self.name, partition), None)
        if lane is None or lane.log_next > len(self.world.broker.logs[self.name, partition]):
            return Lane(self.stage, partition)
        lane.stage = self.stage  # the code that runs on it may be another version
        return lane

    def catch_up(self, lanes):
        """Fold what the logs have and these lanes haven't."""
        for partition in sorted(lanes):
            lane = self.lanes[partition]
            lane.begin()
            self.guard(lane.take, self.world.broker.logs[self.name, partition])
            lane.commit({})

    def close(self, partition):
        """Let go of a partition; its state stays on disk."""
        lane = self.lanes.pop(partition)
        lane.undo()
        self.worker.disk[self.name, partition] = lane

    # --- a batch -----------------------------------------------------------------------------------------------------

    def fetch(self, limit, turn):
        """Up to so many records, topic by topic, beginning with another topic each turn."""
        channels = INPUTS[self.name]
        turn %= len(channels)
        found = []
        for channel in channels[turn:] + channels[:turn]:
            for partition in self.lanes:
                place = (channel, partition)
                at = self.positions[place]
                records = self.world.broker.topics[place][at : at + limit - len(found)]
                if records:
                    self.positions[place] = at + len(records)
                    found += records
                if len(found) >= limit:
                    return found
        return found

    def batch(self, records, cut):
        """The five steps, as a generator that stops after each."""
        by_partition = {}
        for record in records:
            by_partition.setdefault(record.partition, []).append(record)
        asides, results = self.decide(by_partition)
        if refusing := {record.partition for record, code in asides if code != "other_content"}:
            # As the real host: it may be known to entries of another writer that are not folded here yet.
            for lane in self.lanes.values():
                lane.undo()
            self.catch_up({partition: self.lanes[partition] for partition in refusing})
            asides, results = self.decide(by_partition)
        for record, code in asides:
            self.refused(record, code)
        yield "decided"
        offsets = {partition: [] for partition in by_partition}
        yield from self.append(offsets, cut)
        yield "logged"
        self.believe(offsets)
        yield "believed"
        yield from self.say(by_partition, asides, cut)
        yield "said"
        self.commit(by_partition)
        yield "committed"
        self.acknowledge(by_partition, results)

    def decide(self, by_partition):
        """Step 1."""
        view = View(self.worker.book, self.world.now + timedelta(seconds=self.worker.clock))
        asides, results = [], {}
        for partition, records in by_partition.items():
            lane = self.lanes[partition]
            lane.begin()
            for record in records:
                verdict = self.guard(lane.decide, record.message, view)
                results[verdict.result] = results.get(verdict.result, 0) + 1
                if verdict.problem is not None:
                    asides.append((record, verdict.problem.code))
                if verdict.result == "applied" and record.offset < lane.input_next.get(record.channel, 0):
                    self.again(record)
        return asides, results

    def again(self, record):
        """An input that was committed as handled is applied now, so it left nothing in the log: S9."""
        if not isinstance(record.message.body, Tick) and not self.world.layout:
            raise Violation("S9", f"{record.place} was committed as handled, and the log has nothing of it")

    def refused(self, record, code):
        """Nobody sends what is about nothing, so nothing is refused for that; people may want more than there is."""
        people = code in ("not_enough", "unknown_transfer") and isinstance(
            record.message.body, (Transfer, Damage, Arrival)
        )
        if code != "other_content" and not people:
            raise Violation("S11", f"{record.place} is refused, {code}: {record.message.body}")

    def append(self, offsets, cut):
        """Step 2: the entries of the batch, partition by partition; a flush may be seen half done."""
        waiting = [(partition, entry) for partition in offsets for entry in self.lanes[partition].new]
        until = len(waiting) * (1 + (cut & 3)) // 5
        for number, (partition, entry) in enumerate(waiting):
            if number and number == until:
                yield "appending"
            offsets[partition].append(self.world.append(self.name, partition, entry))

    def believe(self, offsets):
        """Step 3: with another writer's entries between ours, what the log says counts."""
        for partition, acknowledged in offsets.items():
            lane = self.lanes[partition]
            if acknowledged == list(range(lane.log_next, lane.log_next + len(lane.new))):
                lane.place()
            else:
                self.world.fired("foreign write")
                lane.refold()
                self.guard(lane.take, self.world.broker.logs[self.name, partition])

    def say(self, by_partition, asides, cut):
        """Step 4."""
        outputs = [output for partition in by_partition for output in self.lanes[partition].say()]
        first, rest = _torn(outputs, cut)
        if first and rest:
            self.world.say(first)
            yield "saying"
            self.world.say(rest)
        else:
            self.world.say(outputs)
        for record, code in asides:
            self.world.put_aside(record, code)

    def commit(self, by_partition):
        """Step 5."""
        for partition, records in by_partition.items():
            lane = self.lanes[partition]
            ends = {}
            for record in records:
                end = max(record.offset + 1, ends.get(record.channel, 0), lane.input_next.get(record.channel, 0))
                ends[record.channel] = end
            lane.commit(ends)
            if lane.voids:
                self.world.fired("void grant")
                lane.voids = 0

    def acknowledge(self, by_partition, results):
        """Let the batch be acknowledged."""
        offsets = {}
        for records in by_partition.values():
            for record in records:
                offsets[record.channel, record.partition] = record.offset + 1
        consumed = sum(len(records) for records in by_partition.values())
        self.world.acknowledge(self, offsets, consumed, results)

    def guard(self, call, *arguments):
        """Call the product; an error of its own is a violation."""
        try:
            return call(*arguments)
        except InvariantViolation as error:
            raise Violation(error.code, str(error)) from error
        except DEFECTS as error:
            raise Violation("defect", f"{type(error).__name__}: {error}") from error

    # --- being driven ------------------------------------------------------------------------------------------------

    def advance(self, limit, turn, cut, until=None):
        """Run to a step, to the next one if ``until`` is empty, or to the end of the batch; whether it got there."""
        if self.running is None:
            records = self.fetch(limit, turn)
            if not records:
                return False
            self.running = self.batch(records, cut)
        for step in self.running:
            self.at = step
            if until in ("", step):
                return True
        self.running, self.at = None, ""
        return until is None


class Worker:
    """One process: both stages, its disk, its clock, its view of the campaigns."""

    def __init__(self, world, name):
        self.world, self.name = world, name
        self.disk = {}
        self.clock = 0
        self.alive = self.paused = False
        self.out = False  # the group went on without it, and it does not know
        self.old_code = False
        self.hosts = {}

    def start(self):
        """Begin with nothing in memory; partitions come with the next generation."""
        stages = self.world.stages
        if self.old_code:
            stages = {"desk": StubbornDesk(stages["desk"]), "ledger": GenerousLedger(stages["ledger"])}
        self.hosts = {name: self.world.make_host(self.world, self, stage) for name, stage in stages.items()}
        self.alive, self.paused, self.out, self.clock = True, False, False, 0
        self.book = self.world.book

    def crash(self, *, wiped):
        """Lose the memory, and perhaps the disk; where it was, by stage."""
        were = {name: host.at for name, host in self.hosts.items() if host.running is not None}
        for host in self.hosts.values():
            for partition in list(host.lanes):
                host.close(partition)
        if wiped:
            self.disk = {}
        self.hosts = {}
        self.alive = self.paused = self.out = False
        return were

    def tick(self):
        """Send the time to the partitions that it thinks it owns."""
        for name, host in self.hosts.items():
            at = (self.world.now + timedelta(seconds=self.clock)).replace(microsecond=0)
            for partition in host.lanes:
                tick = Tick(f"tick:{name}:{partition}:{at.isoformat()}", at)
                self.world.broker.send(INPUTS[name][-1], partition, Message(tick))
