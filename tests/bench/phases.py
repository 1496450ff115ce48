"""Where the time goes: functions of the program wrapped in clocks, for a pass of its own beside the measured ones.

Each moment counts for the innermost phase that is running, so shares add up to the whole. The clocks cost time
themselves, mostly in phases that are entered often: shares are a guide, the figures are those of the plain runs.
"""

from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from time import perf_counter, process_time
from typing import Any
from unittest.mock import patch

from rich.table import Table

from makeweight.adapters.documents import orders as documents
from makeweight.adapters.local import host, replay, store
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
REPLAYING: tuple[Point, ...] = (
    (replay, "ticket_hash", "hash of tickets and run"),
    (replay, "run_hash", "hash of tickets and run"),
    (replay, "standing", "tally"),
    (replay, "in_window", "tally"),
)
HOSTING: tuple[Point, ...] = (
    (host, "dumps", "encode"),
    (store, "dumps", "encode"),
    (host, "standing", "tally"),
    (host, "in_window", "tally"),
)


class Phases:
    """Seconds by phase."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._running = [REST]
        self._mark = perf_counter()

    def _turn(self) -> None:
        now = perf_counter()
        phase = self._running[-1]
        self.seconds[phase] = self.seconds.get(phase, 0.0) + now - self._mark
        self._mark = now

    def enter(self, phase: str) -> None:
        """A phase begins inside the one that is running."""
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
            yield
            self._turn()

    def total(self) -> float:
        """Seconds of all phases."""
        return sum(self.seconds.values())


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


def shares(title: str, passes: dict[str, Phases], units: int, unit: str) -> Table:
    """Shares of the phases and their microseconds per unit, a pair of columns for each pass; the greatest first."""
    heads = [head for name in passes for head in (f"{name} %", f"µs/{unit}")]
    made = table(title, "phase", *heads)
    names = {phase: 0.0 for phases in passes.values() for phase in phases.seconds}
    for name in names:
        names[name] = max(p.seconds.get(name, 0.0) / p.total() for p in passes.values())
    for name in sorted(names, key=lambda n: -names[n]):
        cells = []
        for phases in passes.values():
            seconds = phases.seconds.get(name)
            cells += ["", ""] if seconds is None else [_share(seconds, phases), f"{1e6 * seconds / units:,.1f}"]
        made.add_row(name, *cells)
    totals = [cell for p in passes.values() for cell in ("100.0", f"{1e6 * p.total() / units:,.1f}")]
    made.add_row("all, with the clocks", *totals, style="bold")
    return made


def _share(seconds: float, phases: Phases) -> str:
    return f"{100 * seconds / phases.total():.1f}"
