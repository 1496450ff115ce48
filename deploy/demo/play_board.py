"""Play the demo's day live beside a board that shows it: ``make demo-board``.

The hours before ``--start`` are played at once. From then on the day's clock runs ``--speed`` times as fast as the one
on the wall, so that stock can be seen to burn. The board is a process of its own, as in a shop. Ctrl-C ends both.
"""

import argparse
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from rich.console import Console

from deploy.demo.day import day
from deploy.demo.play import DayClock, feed, opened
from deploy.demo.shop import DAY_END, DAY_START, DUBLIN
from makeweight.adapters.telemetry.logs import configure
from makeweight.bootstrap import Embedded, tune_collector
from makeweight.settings import Settings

STATE = Path("build") / "demo-board"
LOOK_SECONDS = 0.25  # between two looks at what has arrived
START, SPEED, PORT = "08:30", 60.0, 8430
MAX_SPEED = 3_600.0

out = Console(highlight=False)


def main() -> int:
    """Play, and return the exit code of the board."""
    asked = _arguments()
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    configure("error")
    shutil.rmtree(STATE, ignore_errors=True)
    settings, clock = Settings(state=STATE, kafka=None), DayClock()
    service = opened(settings, clock)
    tune_collector()
    events = list(arrivals(list(day())))
    before = [event for at, event in events if at < asked.start]
    feed(service, clock, before)
    board = _board(asked.port)
    try:
        if _listens(asked.port, board):
            _tell(asked)
            _live(service, clock, events[len(before) :], asked, board)
        return board.wait()
    except KeyboardInterrupt:
        return 0
    finally:
        board.terminate()
        board.wait()
        service.close()


def arrivals(events: Sequence[dict[str, Any]]) -> Iterator[tuple[datetime, dict[str, Any]]]:
    """Each event with the instant at which it arrives: no earlier than those before it."""
    at = DAY_START.astimezone(UTC)
    for event in events:
        at = max(at, datetime.fromisoformat(event["time"]))
        yield at, event


def _live(
    service: Embedded,
    clock: DayClock,
    events: Sequence[tuple[datetime, dict[str, Any]]],
    asked: argparse.Namespace,
    board: "subprocess.Popen[bytes]",
) -> None:
    """The rest of the day, as fast as was asked for; until the board ends, if that is sooner."""
    begun, done = time.monotonic(), 0
    while done < len(events) and board.poll() is None:
        now = asked.start + timedelta(seconds=(time.monotonic() - begun) * asked.speed)
        due = done
        while due < len(events) and events[due][0] <= now:
            due += 1
        feed(service, clock, [event for _, event in events[done:due]])
        done = due
        clock.now = max(clock.now, min(now, DAY_END))
        service.keep_time()
        time.sleep(LOOK_SECONDS)
    if done == len(events):
        out.print("The day is over; the board stays as it is until you end it.")


def _board(port: int) -> "subprocess.Popen[bytes]":
    """The command that a shop would use, on the same directory; its clock is that of the newest event."""
    makeweight = str(Path(sys.executable).with_name("makeweight"))
    command = [makeweight, "board", "--state", str(STATE), "--at", "newest", "--changes", "--port", str(port)]
    return subprocess.Popen(command, env={**os.environ, "MAKEWEIGHT_LOG_LEVEL": "warning"})


def _listens(port: int, board: "subprocess.Popen[bytes]") -> bool:
    """Wait until the board answers; False if it ended instead, and has said why."""
    while board.poll() is None:
        with socket.socket() as caller:
            if caller.connect_ex(("127.0.0.1", port)) == 0:
                return True
        time.sleep(LOOK_SECONDS)
    return False


def _tell(asked: argparse.Namespace) -> None:
    out.print("[bold]Tuesday 24 November 2026 at an art-materials shop in Dublin, live[/bold]")
    out.print(f"From {asked.start.astimezone(DUBLIN):%H:%M} on, a minute takes {60 / asked.speed:.3g} seconds.")
    out.print(f"The board: [bold]http://127.0.0.1:{asked.port}/[/bold]   (Ctrl-C ends it)")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="make demo-board", description="Play the demo's day live beside a board.")
    parser.add_argument("--speed", type=_speed, default=SPEED, help="how many times as fast as the clock on the wall")
    parser.add_argument("--start", type=_instant, default=_instant(START), help="what is played at once, as HH:MM")
    parser.add_argument("--port", type=int, default=PORT, help="the board's port")
    return parser.parse_args()


def _speed(text: str) -> float:
    speed = float(text)
    if not 0 < speed <= MAX_SPEED:
        raise argparse.ArgumentTypeError(f"{text}: expected a number above 0, and {MAX_SPEED:.0f} at most")
    return speed


def _instant(text: str) -> datetime:
    at = datetime.strptime(text, "%H:%M").replace(tzinfo=DUBLIN)
    return DAY_START.replace(hour=at.hour, minute=at.minute).astimezone(UTC)


if __name__ == "__main__":
    sys.exit(main())
