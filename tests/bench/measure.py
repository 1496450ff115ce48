"""Time of the processor and of the wall, medians with their range, and the tables that show them."""

import gc
import os
import platform
import sqlite3
import statistics
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from makeweight.bootstrap import tune_collector

# Made once: a benchmark may point sys.stdout elsewhere while the program under test logs.
out = Console(file=sys.stdout, highlight=False, width=None if sys.stdout.isatty() else 160)
err = Console(file=sys.stderr, highlight=False)


@dataclass(frozen=True, slots=True)
class Run:
    """Seconds that one run took, and what came of it."""

    wall: float
    cpu: float
    result: Any = None


def run(work: Callable[[], Any]) -> Run:
    """Do the work once. CPU time is that of all threads, in the kernel too."""
    gc.collect()
    wall, cpu = time.perf_counter(), time.process_time()
    result = work()
    return Run(time.perf_counter() - wall, time.process_time() - cpu, result)


@contextmanager
def collector_off() -> Iterator[None]:
    """No garbage collector meanwhile."""
    gc.collect()
    gc.freeze()
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
        gc.unfreeze()
        gc.collect()


@contextmanager
def collector_as_shipped() -> Iterator[None]:
    """The garbage collector as `makeweight serve` and `makeweight replay` set it."""
    gc.collect()
    before = gc.get_threshold()
    tune_collector()
    try:
        yield
    finally:
        gc.enable()
        gc.set_threshold(*before)
        gc.unfreeze()
        gc.collect()


class Spread:
    """The median of some figures with the least and the greatest."""

    def __init__(self, figures: Iterable[float]) -> None:
        self.figures = sorted(figures)
        self.median = statistics.median(self.figures)

    def told(self, decimals: int = 1) -> str:
        """The median, and the range in brackets."""
        low, high = self.figures[0], self.figures[-1]
        return f"{self.median:,.{decimals}f} [dim]({low:,.{decimals}f} … {high:,.{decimals}f})[/dim]"


def table(*columns: str) -> Table:
    """An empty table: the first column is text, the others are figures."""
    made = Table(box=None, padding=(0, 2, 0, 0))
    for i, name in enumerate(columns):
        made.add_column(name, justify="right" if i else "left", no_wrap=i == 0)
    return made


def title(text: str) -> None:
    """What the next table is about."""
    out.print()
    out.print(text, style="bold")


def note(text: str) -> None:
    """A line below a table."""
    out.print(text, style="dim")


def step(text: str) -> None:
    """What is being done now, on stderr, for the one who waits."""
    err.print(f"… {text}", style="dim")


def machine() -> None:
    """What these figures were measured on."""
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else 0.0
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    out.print(
        f"{usable} cores ({_processor()}), load {load:.1f} at the start; {platform.system()} {platform.release()}; "
        f"Python {platform.python_version()}; SQLite {sqlite3.sqlite_version}"
    )
    note("Figures are medians with (least … greatest). CPU is process_time: of all threads, in the kernel too.")


def _processor() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.machine()
    return next((line.partition(":")[2].strip() for line in lines if line.startswith("model name")), platform.machine())
