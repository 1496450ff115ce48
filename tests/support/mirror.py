"""A mirror in a process of its own: ``python -m tests.support.mirror ADDRESS PREFIX DIRECTORY``.

It ends once it has caught up. ``--batch`` makes its transactions small. It sends itself SIGKILL with ``--before N``
when all of the Nth is written and nothing committed, with ``--after N`` when it has just been committed. After
each it waits for ``--pause`` seconds. ``--peak`` tells the most memory that it held, in MB.
"""

import argparse
import os
import signal
import sys
import threading
import time
from pathlib import Path

from makeweight.adapters.kafka import copying, mirror
from makeweight.adapters.kafka.mirror import Mirror
from makeweight.adapters.kafka.wire import Names


class Dying:
    """A connection whose process dies beside a commit."""

    def __init__(self, db, before, after, pause):
        self._db, self._before, self._after, self._pause, self._commits = db, before, after, pause, 0

    def execute(self, statement, *values):
        """Execute, and perhaps die."""
        self._commits += statement == "COMMIT"
        if statement == "COMMIT" and self._commits == self._before:
            os.kill(os.getpid(), signal.SIGKILL)
        found = self._db.execute(statement, *values)
        if statement == "COMMIT":
            if self._commits == self._after:
                os.kill(os.getpid(), signal.SIGKILL)
            time.sleep(self._pause)
        return found

    def __getattr__(self, name):
        return getattr(self._db, name)


def run_until_caught_up(one, seconds=60):
    """Let a mirror run until it has read everything. Raises what it failed with."""
    stop = threading.Event()
    thread = threading.Thread(target=one.run, args=(stop,))
    thread.start()
    end = time.monotonic() + seconds
    while not one.caught_up and thread.is_alive() and time.monotonic() < end:
        time.sleep(0.02)
    stop.set()
    thread.join(30)
    if one.failed is not None:
        raise one.failed
    if not one.caught_up:
        raise TimeoutError(f"not caught up within {seconds} s: {one.lag()}")


def main():
    """Run."""
    parser = argparse.ArgumentParser()
    parser.add_argument("address")
    parser.add_argument("prefix")
    parser.add_argument("directory", type=Path)
    parser.add_argument("--batch", type=int, default=mirror.BATCH)
    parser.add_argument("--before", type=int)
    parser.add_argument("--after", type=int)
    parser.add_argument("--pause", type=float, default=0.0)
    parser.add_argument("--peak", action="store_true")
    given = parser.parse_args()
    mirror.BATCH = given.batch
    connect = copying.connect
    copying.connect = lambda *some, **named: Dying(connect(*some, **named), given.before, given.after, given.pause)
    run_until_caught_up(Mirror(given.address, Names(given.prefix), given.directory), 600)
    if given.peak:
        status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
        sys.stdout.write(f"{int(status['VmHWM'].split()[0]) // 1_000}\n")


if __name__ == "__main__":
    main()
