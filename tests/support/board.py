"""A board in a process of its own, on a database of the demo's shop; and a real browser that looks at it."""

import os
import re
import signal
import subprocess
import sys
import time
from csv import DictReader, DictWriter
from pathlib import Path
from typing import Any, NamedTuple

from deploy.demo.day import day
from deploy.demo.play import HERE, DayClock, feed, opened
from makeweight.adapters.telemetry.logs import configure
from makeweight.bootstrap import Embedded
from makeweight.settings import Settings

CHROMIUM = "/usr/bin/chromium"
SEED, ORDERS = 20261124, 500
FULL = 4_000  # orders of the demo's own day, for which its stock is
NINE = "2026-11-24T21:00:00+00:00"
START_SECONDS = 60
LISTENING = re.compile(r'"host":"([^"]+)","port":(\d+),"event":"listening"')


class Evening(NamedTuple):
    """The demo's shop at nine in the evening: its service, its clock, and the events that are still to come."""

    service: Embedded
    clock: DayClock
    later: list[dict[str, Any]]
    state: Path

    def go_on(self, events: int) -> None:
        """Some more of the day happens."""
        feed(self.service, self.clock, self.later[:events])
        del self.later[:events]


def evening(folder: Path, orders: int = ORDERS, until: str = NINE) -> Evening:
    """The demo's day so far with fewer orders and less stock, in a service that goes on in this process."""
    configure("error")
    stock = folder / "stock.csv"
    with (HERE / "stock.csv").open() as source, stock.open("w") as target:
        rows = DictReader(source)
        writer = DictWriter(target, rows.fieldnames)
        writer.writeheader()
        writer.writerows({**row, "units": max(4, int(row["units"]) * orders // FULL)} for row in rows)
    settings, clock = Settings(state=folder / "state", kafka=None), DayClock()
    service = opened(settings, clock, stock)
    events = list(day(SEED, orders))
    now = [event for event in events if event["time"] < until]
    feed(service, clock, now)
    return Evening(service, clock, events[len(now) :], settings.state)


class Board:
    """``makeweight board`` as a process; ``address`` once it listens. On Kafka its directory is that of its copy."""

    def __init__(self, state: Path, *arguments: str, on_kafka: bool = False, **env: str) -> None:
        where = "--copy" if on_kafka else "--state"
        command = [str(Path(sys.executable).with_name("makeweight")), "board", where, str(state), "--port", "0"]
        state.mkdir(parents=True, exist_ok=True)
        kept = {name: text for name, text in os.environ.items() if name in ("PATH", "HOME", "LANG")}
        self.log = state.parent / f"board-{time.monotonic_ns()}.log"
        with self.log.open("w") as log:
            self.process = subprocess.Popen([*command, *arguments], stdout=log, stderr=log, env=kept | env, cwd=state)
        self.address = self._listening()

    def _listening(self) -> str:
        until = time.monotonic() + START_SECONDS
        while time.monotonic() < until:
            found = LISTENING.search(self.log.read_text())
            if found:
                return f"http://{found[1]}:{found[2]}"
            assert self.process.poll() is None, self.log.read_text()
            time.sleep(0.05)
        raise AssertionError(f"the board doesn't listen after {START_SECONDS} s: {self.log.read_text()}")

    def cpu_seconds(self) -> float:
        """Processor time that the process has had so far."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def close(self) -> str:
        """End it as a person would; what it has logged."""
        self.process.send_signal(signal.SIGTERM)
        try:
            self.process.wait(15)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            raise
        return self.log.read_text()
