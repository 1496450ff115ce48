"""A worker that does something at a named step: ``python -m tests.support.worker --at STAGE:STEP:N:ACTION``.

It is the real worker, built by the real composition root from the environment; only what follows a step is added, a
defect where a test wants one, for the tests of two versions side by side a ledger that thinks every gift is in stock,
and for days that pass in seconds a clock that a file sets.
"""

import argparse
import asyncio
import os
import signal
import sys
import time
from datetime import datetime
from pathlib import Path

from makeweight.adapters.kafka import logs
from makeweight.adapters.kafka.follower import Follower
from makeweight.adapters.kafka.lane import Lane
from makeweight.adapters.kafka.lean import LeanThread
from makeweight.adapters.kafka.worker import Worker
from makeweight.adapters.telemetry.logs import configure, for_libraries
from makeweight.bootstrap import tune_collector, wall_clock
from makeweight.bootstrap.worker import Distributed
from makeweight.cli.console import read_settings
from makeweight.domain.values import InvariantViolation
from makeweight.stages.desk import Desk
from makeweight.stages.ledger import Ledger, settle

ACTIONS = {"kill": signal.SIGKILL, "stop": signal.SIGSTOP}


def at_step(service, spec):
    """Send this process a signal when a stage has passed a step for the nth time with entries in its batch."""
    stage, step, number, action = spec.split(":")
    host = {"desk": service.desk, "ledger": service.ledger}[stage]
    left = [int(number)]

    def after(passed):
        if passed == step and any(lane.new for lane in host.lanes.values()):
            left[0] -= 1
            if left[0] == 0:
                os.kill(os.getpid(), ACTIONS[action])

    host.after = after


def in_gate(spec, records):
    """Send this process a signal when the gate of a stage has committed its nth chunk of so many records at most."""
    stage, number, action = spec.split(":")
    left, commit = [int(number)], Lane.commit
    logs.CHUNK = records

    def committed(lane, inputs):
        commit(lane, inputs)
        if lane.stage.name == stage and not inputs:  # a batch commits where its inputs stand
            left[0] -= 1
            if left[0] == 0:
                os.kill(os.getpid(), ACTIONS[action])

    Lane.commit = committed


def fails_on(stage, order):
    """A stage that can't work on what is about one order."""
    whole = stage.decide

    def decide(self, store, message, view):
        if getattr(message.body, "order", None) == order:
            raise InvariantViolation("S1", "made up")
        return whole(self, store, message, view)

    stage.decide = decide


async def fails(*_, **__):
    """A coroutine with a defect."""
    raise LookupError("made up")


async def hangs(*_, **__):
    """A coroutine that never ends, whoever cancels it."""
    while True:
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            continue


def breaks(*_, **__):
    """A function with a defect."""
    raise LookupError("made up")


PARTS = {
    "timer": (Worker, "_tick", breaks),
    "campaigns": (Follower, "_look", breaks),
    "thread": (LeanThread, "_create_worker_consumer", breaks),
    "end": (Worker, "stop", fails),
    "endless": (Worker, "stop", hangs),
}


def defect(spec):
    """A defect in a part of the worker, or, as STAGE:ORDER, in a stage on what is about an order."""
    part, _, order = spec.partition(":")
    if order:
        fails_on({"desk": Desk, "ledger": Ledger}[part], order)
    else:
        setattr(*PARTS[part])


def generous():
    """Other code: a ledger whose decisions see stock without end. Its folds are the same as everybody's."""
    honest, decide = settle._free, settle.from_stock  # noqa: SLF001 - another version of the very function

    def from_stock(store, claim, state, wanted):
        settle._free = lambda *_: 10**6  # noqa: SLF001 - as above
        try:
            return decide(store, claim, state, wanted)
        finally:
            settle._free = honest  # noqa: SLF001 - as above

    settle.from_stock = from_stock


def slow_gate(seconds):
    """A gate that takes its time over every chunk of the log."""
    take = Lane.take

    def slowly(lane, records):
        time.sleep(seconds)
        return take(lane, records)

    Lane.take = slowly


def told_clock(path):
    """A clock that shows what a file says, so that a test can let days pass; all workers of a test read the same."""
    return lambda: datetime.fromisoformat(path.read_text())


def main():
    """Run the worker."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--at")
    parser.add_argument("--in-gate", help="STAGE:N:ACTION: at the nth chunk that a gate commits")
    parser.add_argument("--chunk", type=int, default=logs.CHUNK, help="records to a chunk of the gate, with --in-gate")
    parser.add_argument("--defect", action="append", default=[], help="a part of the worker, or STAGE:ORDER")
    parser.add_argument("--code", choices=["generous"])
    parser.add_argument("--slow-gate", type=float)
    parser.add_argument("--clock", type=Path, help="a file that says what time it is")
    given = parser.parse_args()
    settings = read_settings()
    configure(settings.log_level)
    if given.code:
        generous()
    if given.in_gate:
        in_gate(given.in_gate, given.chunk)
    for one in given.defect:
        defect(one)
    if given.slow_gate:
        slow_gate(given.slow_gate)
    service = Distributed(settings, told_clock(given.clock) if given.clock else wall_clock)
    if given.at:
        at_step(service, given.at)
    tune_collector()
    sys.exit(service.worker.run(settings.log_level, for_libraries(settings.log_level)))


if __name__ == "__main__":
    main()
