"""Where the time goes: functions of the program wrapped in clocks, for a pass of its own beside the measured ones.

Each moment counts for the innermost phase that is running, so shares add up to the whole. What the clocks cost
themselves is measured and taken out, and the shares are then applied to the CPU time of the plain runs.
"""

import gc
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from time import perf_counter, process_time
from typing import Any
from unittest.mock import patch

from rich.table import Table

from makeweight.adapters.documents import orders as documents
from makeweight.adapters.local import counting, host, replay, store
from makeweight.insight.tally import Tally
from makeweight.stages.desk import Desk
from makeweight.stages.desk import decide as desk_decide
from makeweight.stages.ledger import Ledger
from tests.bench.measure import table

REST = "the rest: host, engine, loops"
DISK = "waiting for the disk"
Point = tuple[Any, str, str]  # where a name is looked up, the name, the phase

READING: tuple[Point, ...] = (
    (documents, "read_line", "parse: JSON and envelope"),
    (documents, "read_data", "parse: check and build the order"),
    (documents, "digest", "digest of the content"),
)
STAGES: tuple[Point, ...] = (
    (desk_decide, "evaluate", "decide: judge (evaluate, choose)"),
    (desk_decide, "choose", "decide: judge (evaluate, choose)"),
    (Desk, "decide", "decide: desk"),
    (Desk, "fold", "fold: desk"),
    (Desk, "say", "say: desk"),
    (Ledger, "decide", "decide: ledger"),
    (Ledger, "fold", "fold: ledger"),
    (Ledger, "say", "say: ledger"),
)
COUNTING: tuple[Point, ...] = (
    (Tally, "add", "tally"),
    (Tally, "add_in_window", "tally"),
)
REPLAYING: tuple[Point, ...] = (
    (replay, "ticket_hash", "hash of tickets and run"),
    (replay, "run_hash", "hash of tickets and run"),
    (replay, "standing", "tally"),
    (replay, "in_window", "tally"),
    *COUNTING,
)
HOSTING: tuple[Point, ...] = (
    (host, "dumps", "encode"),
    (store, "dumps", "encode"),
    (counting, "standing", "tally"),
    (counting, "in_window", "tally"),
    *COUNTING,
)


class Phases:
    """Seconds by phase, and how often each was entered and left for an inner one."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.entered: dict[str, int] = {}
        self.left: dict[str, int] = {}
        self._running = [REST]
        self._mark = 0.0
        self._on = False

    def _turn(self) -> None:
        now = perf_counter()
        if self._on:
            phase = self._running[-1]
            self.seconds[phase] = self.seconds.get(phase, 0.0) + now - self._mark
        self._mark = now

    def enter(self, phase: str) -> None:
        """A phase begins inside the one that is running."""
        if self._on:
            outer = self._running[-1]
            self.left[outer] = self.left.get(outer, 0) + 1
            self.entered[phase] = self.entered.get(phase, 0) + 1
        self._turn()
        self._running.append(phase)

    def leave(self) -> None:
        """The innermost phase ends."""
        self._turn()
        self._running.pop()

    def wrap(self, phase: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """The function with a clock."""

        def timed(*args, **kwargs):
            self.enter(phase)
            try:
                return function(*args, **kwargs)
            finally:
                self.leave()

        return timed

    def wrap_items(self, first: str, others: str, function: Callable[..., Iterator[Any]]) -> Callable[..., Any]:
        """A generator function with a clock: the way to the first item is a phase of its own."""

        def timed(*args, **kwargs):
            items = function(*args, **kwargs)
            phase = first
            while True:
                self.enter(phase)
                try:
                    item = next(items)
                except StopIteration:
                    return
                finally:
                    self.leave()
                phase = others
                yield item

        return timed

    def move(self, phase: str, seconds: float) -> None:
        """Seconds that the running phase has only waited."""
        running = self._running[-1]
        self.seconds[running] = self.seconds.get(running, 0.0) - seconds
        self.seconds[phase] = self.seconds.get(phase, 0.0) + seconds

    @contextmanager
    def on(self, points: Iterable[Point]) -> Iterator[None]:
        """Clocks on these functions meanwhile."""
        with ExitStack() as stack:
            for owner, name, phase in points:
                stack.enter_context(patch.object(owner, name, self.wrap(phase, getattr(owner, name))))
            self._mark = perf_counter()
            self._on = True
            gc.callbacks.append(self._collector)
            try:
                yield
            finally:
                gc.callbacks.remove(self._collector)
                self._turn()
                self._on = False

    def _collector(self, phase: str, info: object) -> None:
        """The garbage collector starts or stops, whoever's allocation set it off."""
        if phase == "start":
            self.enter("garbage collector")
        else:
            self.leave()

    def net(self) -> dict[str, float]:
        """Seconds by phase without what the clocks cost: inside a phase for each entry, outside for each way in."""
        inside, outside = _clock_cost()
        return {
            phase: max(0.0, seconds - inside * self.entered.get(phase, 0) - outside * self.left.get(phase, 0))
            for phase, seconds in self.seconds.items()
        }


def _clock_cost(calls: int = 20_000) -> tuple[float, float]:
    """Seconds that a clock adds to its own phase and to the one outside, for one call."""
    phases = Phases()

    def nothing() -> None:
        pass

    timed = phases.wrap("inside", nothing)
    with phases.on(()):
        for _ in range(calls):
            timed()
    started = perf_counter()
    for _ in range(calls):
        nothing()
    bare = (perf_counter() - started) / calls
    return max(0.0, phases.seconds["inside"] / calls - bare), phases.seconds[REST] / calls


class TimedConnection:
    """A SQLite connection with clocks. What a commit takes beyond its CPU time is waiting for the disk."""

    def __init__(self, connection, phases: Phases) -> None:
        self._connection = connection
        self._phases = phases
        self.executemany = phases.wrap("SQLite: statements", connection.executemany)
        self._plain = phases.wrap("SQLite: statements", connection.execute)

    def execute(self, statement: str, *parameters: Any) -> Any:
        """Run one statement."""
        if statement != "COMMIT":
            return self._plain(statement, *parameters)
        self._phases.enter("SQLite: commit, CPU")
        wall, cpu = perf_counter(), process_time()
        try:
            return self._connection.execute(statement)
        finally:
            waited = perf_counter() - wall - (process_time() - cpu)
            self._phases.move(DISK, max(0.0, waited))
            self._phases.leave()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._connection, name)


def shares(passes: dict[str, tuple[Phases, float]], unit: str) -> Table:
    """Shares of the phases in CPU time, and microseconds per unit; the greatest first.

    For each pass: its phases, and the CPU microseconds per unit of the plain runs that the shares are applied to.
    """
    made = table("phase", *(head for name in passes for head in (f"{name}: %", f"CPU µs/{unit}")))
    parts: dict[str, dict[str, float]] = {}
    for name, (phases, _) in passes.items():
        busy = {phase: seconds for phase, seconds in phases.net().items() if phase != DISK}
        parts[name] = {phase: seconds / sum(busy.values()) for phase, seconds in busy.items()}
    names = sorted({phase for part in parts.values() for phase in part})
    for phase in sorted(names, key=lambda n: -max(part.get(n, 0.0) for part in parts.values())):
        cells = []
        for name, (_, micros) in passes.items():
            part = parts[name].get(phase)
            cells += ["", ""] if part is None else [f"{100 * part:.1f}", f"{micros * part:,.1f}"]
        made.add_row(phase, *cells)
    totals = [cell for _, micros in passes.values() for cell in ("100.0", f"{micros:,.1f}")]
    made.add_row("all", *totals, style="bold")
    return made
