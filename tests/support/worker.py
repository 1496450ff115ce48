"""A worker that does something at a named step: ``python -m tests.support.worker --at STAGE:STEP:N:ACTION``.

It is the real worker, built by the real composition root from the environment; only what follows a step is added, for
the tests of two versions side by side a ledger that thinks every gift is in stock, and for days that pass in seconds a
clock that a file sets.
"""

import argparse
import os
import signal
import sys
import time
from datetime import datetime
from pathlib import Path

from makeweight.adapters.kafka.lane import Lane
from makeweight.adapters.telemetry.logs import configure, for_libraries
from makeweight.bootstrap import tune_collector, wall_clock
from makeweight.bootstrap.worker import Distributed
from makeweight.cli.console import read_settings
from makeweight.stages.ledger import settle

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


def generous():
    """Other code: a ledger whose decisions see stock without end. Its folds are the same as everybody's."""
    honest, decide = settle._free, settle._from_stock  # noqa: SLF001 - another version of the very function

    def from_stock(store, claim, state, wanted):
        settle._free = lambda *_: 10**6  # noqa: SLF001 - as above
        try:
            return decide(store, claim, state, wanted)
        finally:
            settle._free = honest  # noqa: SLF001 - as above

    settle._from_stock = from_stock  # noqa: SLF001 - as above


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
    parser.add_argument("--code", choices=["generous"])
    parser.add_argument("--slow-gate", type=float)
    parser.add_argument("--clock", type=Path, help="a file that says what time it is")
    given = parser.parse_args()
    settings = read_settings()
    configure(settings.log_level)
    if given.code:
        generous()
    if given.slow_gate:
        slow_gate(given.slow_gate)
    service = Distributed(settings, told_clock(given.clock) if given.clock else wall_clock)
    if given.at:
        at_step(service, given.at)
    tune_collector()
    sys.exit(service.worker.run(settings.log_level, for_libraries(settings.log_level)))


if __name__ == "__main__":
    main()
