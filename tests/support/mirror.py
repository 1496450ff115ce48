"""A mirror in a process of its own: ``python -m tests.support.mirror ADDRESS PREFIX DIRECTORY``.

It ends once it has caught up. ``--batch`` makes its transactions small, ``--kill N`` has it send itself SIGKILL in the
Nth of them, with everything written and nothing committed; ``--peak`` tells the most memory that it held, in MB.
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


def kill_in(number):
    """Die in the transaction of this number."""
    finish, left = copying.Copy._finish, [number]  # noqa: SLF001 - the very moment before the commit

    def finish_and_die(copy):
        finish(copy)
        left[0] -= 1
        if left[0] == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    copying.Copy._finish = finish_and_die  # noqa: SLF001 - as above


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
    parser.add_argument("--kill", type=int)
    parser.add_argument("--peak", action="store_true")
    given = parser.parse_args()
    mirror.BATCH = given.batch
    if given.kill:
        kill_in(given.kill)
    run_until_caught_up(Mirror(given.address, Names(given.prefix), given.directory), 600)
    if given.peak:
        status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
        sys.stdout.write(f"{int(status['VmHWM'].split()[0]) // 1_000}\n")


if __name__ == "__main__":
    main()
