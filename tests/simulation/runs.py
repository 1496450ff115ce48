"""Many runs, one run told step by step, and a failing one made small."""

import ast
import gc
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from tests.simulation.schedule import BOOKINGS, FACTS, Schedule, draw
from tests.simulation.worker import STEPS, Violation
from tests.simulation.world import World

REGRESSIONS = Path(__file__).with_name("regressions.txt")
ENOUGH = 500  # runs after which every kind of fault must have come up
COLLECT = 200  # runs between two collections of garbage
KINDS = (
    *(f"crash: {step}" for step in STEPS),
    "wiped disk", "full disk", "pause", "late wake-up", "slow member", "rebalance", "foreign write", "fenced commit",
    "duplicate input", "duplicate message", "reordered", "conflict", "campaign", "old code", "clock jump", "void grant",
    *(f"fact: {happened}" for happened in dict.fromkeys(FACTS)), *(f"stock: {what}" for what in BOOKINGS),
    "lapse", "found again", "exchange",
)  # fmt: skip


@dataclass
class Summary:
    """What many runs came to."""

    runs: int = 0
    faultless: int = 0
    operations: int = 0
    entries: int = 0
    records: int = 0
    cpu_seconds: float = 0.0
    faults: Counter = field(default_factory=Counter)
    violations: list = field(default_factory=list)

    @property
    def missing(self):
        """Kinds of faults that never came up, if there were runs enough for each."""
        return [] if self.runs < ENOUGH else [kind for kind in KINDS if not self.faults[kind]]


def play(seeds, stop_after=10, size=1):
    """Play these seeds; at most so many violations."""
    summary = Summary()
    began = time.process_time()
    was_enabled = gc.isenabled()
    gc.collect()
    gc.freeze()
    gc.disable()  # a world that was played is taken apart by hand; what is left is looked for in bulk
    try:
        for seed in seeds:
            _play_one(draw(seed, size), seed, summary)
            if len(summary.violations) >= stop_after:
                break
            if summary.runs % COLLECT == 0:
                gc.collect()
                gc.freeze()  # what the scenario keeps for all runs is not looked through again
    finally:
        gc.unfreeze()
        if was_enabled:
            gc.enable()
    summary.cpu_seconds = time.process_time() - began
    return summary


def _play_one(schedule, seed, summary):
    world = World(schedule)
    try:
        world.play()
    except Violation as violation:
        summary.violations.append((seed, violation))
    summary.runs += 1
    summary.faultless += not world.schedule.faults
    summary.operations += world.operations
    summary.entries += sum(len(log) for log in world.broker.logs.values())
    summary.records += sum(len(records) for records in world.broker.topics.values())
    summary.faults.update(world.faults)
    world.take_apart()


def violated(schedule):
    """The invariant that a schedule breaks, with what was seen; None if none."""
    try:
        World(schedule).play()
    except Violation as violation:
        return violation
    return None


def shrunk(schedule, broken=violated):
    """The schedule with every operation and event left out that the same violation doesn't need."""
    code = broken(schedule).code

    def breaks(less):
        violation = broken(less)
        return violation is not None and violation.code == code

    while True:
        before = len(schedule.operations) + len(schedule.events)
        schedule = _fewer_operations(schedule, breaks)
        for number in reversed(range(len(schedule.events))):
            less = _without_event(schedule, number)
            schedule = less if breaks(less) else schedule
        if len(schedule.operations) + len(schedule.events) == before:
            return schedule


def _fewer_operations(schedule, breaks):
    operations = list(schedule.operations)
    size = max(1, len(operations) // 2)
    while size:
        at = 0
        while at < len(operations):
            less = operations[:at] + operations[at + size :]
            if breaks(schedule._replace(operations=less)):
                operations = less
            else:
                at += size
        size //= 2
    return schedule._replace(operations=operations)


def _without_event(schedule, number):
    """The schedule without an event; those behind it have lower numbers then."""
    operations = [
        ("send", operation[1] - (operation[1] > number)) if operation[0] == "send" else operation
        for operation in schedule.operations
        if operation != ("send", number)
    ]
    events = schedule.events[:number] + schedule.events[number + 1 :]
    return schedule._replace(operations=operations, events=events)


def told(schedule):
    """A run as lines: its events, every operation with what it caused, and how it ended."""
    world = World(schedule)
    world.trace = []
    end = "no violation"
    try:
        world.play()
    except Violation as violation:
        end = f"VIOLATION {violation}"
    yield f"{schedule.workers} workers, stock {'ample' if schedule.ample else 'short'}, faults {schedule.faults}"
    for number, event in enumerate(schedule.events):
        yield f"event {number}: {event}"
    yield from world.trace
    for (stage, partition), log in world.broker.logs.items():
        for offset, entry in enumerate(log):
            yield f"log {stage} {partition} {offset}: {entry.id}"
    yield f"schedule: {tuple(schedule)}"
    yield end


def kept():
    """Schedules that are kept for ever: a seed, or a whole schedule as it is printed, on each line of the file."""
    found = {}
    for line in REGRESSIONS.read_text().splitlines():
        text = line.partition("#")[0].strip()
        if text:
            found[text] = draw(int(text)) if text.isdigit() else Schedule(*ast.literal_eval(text))
    return found
