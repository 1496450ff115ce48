"""Embedded: CPU per durable order beside bare SQLite inserting the rows that the run left in all tables.

The orders are a day of the demo's shop with all that follows them: amendments, cancellations, repeats, and what the
warehouse reports. What is measured starts with an event's bytes and ends with its commit.
"""

import os
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing, redirect_stdout
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from deploy.demo import play
from deploy.demo.day import day
from makeweight.adapters.documents.orders import read_one
from makeweight.adapters.hosting import Incoming, Watcher
from makeweight.adapters.local.database import FILE_NAME, connect
from makeweight.adapters.local.host import Host
from makeweight.adapters.telemetry.logs import configure
from makeweight.adapters.telemetry.metrics import Metrics
from makeweight.adapters.telemetry.watcher import TelemetryWatcher
from makeweight.bootstrap import publish_files
from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.codec import dumps
from makeweight.settings import Settings
from tests.bench.measure import Run, Spread, collector_as_shipped, note, out, run, step, table, title
from tests.bench.phases import DISK, HOSTING, READING, STAGES, Phases, TimedConnection, shares

BATCH = 500
TARGET = 4
WATCHED = ("started", "entry", "result", "reject", "committed", "dropped")
Rows = dict[str, list[tuple[Any, ...]]]  # by table
Batch = tuple[datetime, list[bytes]]


@dataclass(slots=True)
class Left:
    """The rows that a run left: those that were there before its first event, and those new in each commit."""

    before: Rows = field(default_factory=dict)
    commits: list[Rows] = field(default_factory=list)

    def count(self) -> int:
        """Rows of all commits."""
        return sum(len(rows) for commit in self.commits for rows in commit.values())


def show(scratch: Path, *, quick: bool) -> None:
    """Measure and print."""
    orders, rounds = (700, 3) if quick else (2_000, 5)
    batches, events = _batches(orders)
    step(f"embedded: a day of {orders:,} orders, {events:,} events, {rounds} rounds of three")
    silent, watched = Phases(), Phases()
    left = _recorded(scratch / "recorded", batches, silent)
    _instrumented(scratch / "telemetry", batches, watched)
    ways: dict[str, Callable[[Path], Run]] = {
        "bare SQLite, the same rows": lambda at: _bare(at, left),
        "Host": lambda at: _hosted(at, batches, Watcher),
        "Host, telemetry to /dev/null": lambda at: _hosted(at, batches, _telemetry),
    }
    runs: dict[str, list[Run]] = {name: [] for name in ways}
    for number in range(rounds):
        for name, way in ways.items():
            runs[name].append(way(scratch / f"run-{number}"))
    _tell(runs, orders, events, left)
    _, plain, telemetry = (1e6 * Spread(r.cpu for r in each).median / orders for each in runs.values())
    title("Where it goes: shares of two passes with clocks, applied to the CPU time above")
    out.print(shares({"Host": (silent, plain), "with telemetry": (watched, telemetry)}, "order"))
    note(f"Waiting for the disk comes on top: {1e6 * silent.seconds.get(DISK, 0.0) / orders:,.1f} µs/order.")


def _tell(runs: dict[str, list[Run]], orders: int, events: int, left: Left) -> None:
    title(f"Embedded: {orders:,} durable orders ({events:,} events), {BATCH} events to a commit")
    made = table("", "CPU µs/order", "wall µs/order", "CPU µs/event", "orders/s (wall)", "CPU / bare")
    bare, *_ = runs.values()
    ratios = {}
    for name, each in runs.items():
        ratios[name] = Spread(r.cpu / base.cpu for r, base in zip(each, bare, strict=True))
        made.add_row(
            name,
            Spread(1e6 * r.cpu / orders for r in each).told(0),
            Spread(1e6 * r.wall / orders for r in each).told(0),
            Spread(1e6 * r.cpu / events for r in each).told(0),
            f"{orders / Spread(r.wall for r in each).median:,.0f}",
            ratios[name].told(2),
        )
    out.print(made)
    for name, ratio in list(ratios.items())[1:]:
        verdict = "reached" if ratio.median <= TARGET else "not reached"
        out.print(
            f"{name}: {ratio.median:.2f} times the CPU of bare SQLite; target at most {TARGET}: [bold]{verdict}[/bold]"
        )
    size = sum(len(cell) for commit in left.commits for rows in commit.values() for row in rows for cell in row
               if isinstance(cell, bytes | str))  # fmt: skip
    by_table = ", ".join(f"{name} {sum(len(c.get(name, ())) for c in left.commits):,}" for name in left.before)
    note(
        f"The rows: {left.count():,} with {size / 1e6:.1f} MB of text ({by_table}). Bare SQLite gets them ready-made, "
        "by executemany into the same schema with the same pragmas, each in the commit that first had its key; rows "
        "changed later are written once there, and several times by the host. The host starts from the events' bytes. "
        "The garbage collector is set as the service sets it."
    )


class _Clock:
    """The events' time."""

    def __init__(self) -> None:
        self.now = play.PUBLISHED_AT

    def __call__(self) -> datetime:
        return self.now


def _batches(orders: int) -> tuple[list[Batch], int]:
    """The day's events as bytes, by commit, each commit with the instant of its last event."""
    events = list(day(orders=orders))
    batches = []
    for start in range(0, len(events), BATCH):
        chunk = events[start : start + BATCH]
        batches.append((max(datetime.fromisoformat(e["time"]) for e in chunk), [dumps(e) for e in chunk]))
    return batches, len(events)


def _telemetry() -> Watcher:
    return TelemetryWatcher(Metrics())


def _opened(state: Path, clock: _Clock) -> sqlite3.Connection:
    """A fresh service with the demo's campaigns and stock."""
    shutil.rmtree(state, ignore_errors=True)
    campaigns = sorted((play.HERE / "campaigns").glob("*.yaml"))
    publish_files(Settings(state=state), campaigns, play.HERE / "stock.csv", clock)
    connection = connect(state)
    Host(connection, clock, read_campaign).take([])  # what was published is worked on before the first event
    return connection


def _feed(host: Host, clock: _Clock, batches: list[Batch], committed: Callable[[], None] = lambda: None) -> None:
    number = 0
    for now, raws in batches:
        clock.now = now
        incoming = []
        for number, raw in enumerate(raws, number + 1):  # noqa: B020 - numbering goes on from batch to batch
            line = read_one(raw, "day", number)
            incoming.append(
                Incoming(line.kind, line.order, "day", str(number), line.raw, line.body, line.digest, line.error)
            )
        host.take(incoming)
        committed()


def _hosted(state: Path, batches: list[Batch], watcher: Callable[[], Watcher]) -> Run:
    clock = _Clock()
    with (
        Path(os.devnull).open("w", encoding="utf-8") as nowhere,
        closing(_opened(state, clock)) as connection,
        redirect_stdout(nowhere),
        collector_as_shipped(),
    ):
        configure("info")
        host = Host(connection, clock, read_campaign)
        host.watcher = watcher()
        done = run(lambda: _feed(host, clock, batches))
    shutil.rmtree(state)
    return done


def _bare(state: Path, left: Left) -> Run:
    shutil.rmtree(state, ignore_errors=True)
    with closing(connect(state)) as connection:
        connection.execute("DELETE FROM meta")
        _insert(connection, left.before)

        def insert_all() -> None:
            for rows in left.commits:
                _insert(connection, rows)

        with collector_as_shipped():
            done = run(insert_all)
    shutil.rmtree(state)
    return done


def _insert(connection: sqlite3.Connection, rows: Rows) -> None:
    connection.execute("BEGIN IMMEDIATE")
    for name, those in rows.items():
        if those:
            marks = ", ".join("?" * len(those[0]))
            connection.executemany(f"INSERT INTO {name} VALUES ({marks})", those)  # noqa: S608 - our own tables
    connection.execute("COMMIT")


def _recorded(state: Path, batches: list[Batch], phases: Phases) -> Left:
    """A pass with clocks, and which rows it left by which commit. Keys are looked up between commits, untimed."""
    clock = _Clock()
    first_seen: dict[str, dict[tuple[Any, ...], int]] = {}
    with closing(_opened(state, clock)) as connection, closing(sqlite3.connect(state / FILE_NAME)) as reader:
        keys = _keys(reader)

        def look(commit: int) -> None:
            for name, columns in keys.items():
                seen = first_seen.setdefault(name, {})
                since = ""
                if columns == ["position"]:
                    since = f" WHERE position > {max((at for (at,) in seen), default=0)}" if seen else ""
                for key in reader.execute(f"SELECT {', '.join(columns)} FROM {name}{since}"):  # noqa: S608
                    seen.setdefault(key, commit)

        look(0)
        host = Host(TimedConnection(connection, phases), clock, read_campaign)
        for commit, batch in enumerate(batches, 1):
            with collector_as_shipped(), phases.on((*READING, *STAGES, *HOSTING)):
                _feed(host, clock, [batch])
            look(commit)
        left = _read_back(reader, keys, first_seen, len(batches))
    shutil.rmtree(state)
    return left


def _keys(reader: sqlite3.Connection) -> dict[str, list[str]]:
    """The columns of each table's primary key."""
    names = [name for (name,) in reader.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")]
    found = {}
    for name in names:
        info = reader.execute(f"PRAGMA table_info({name})").fetchall()
        found[name] = [column[1] for column in info if column[5]]
    return found


def _read_back(
    reader: sqlite3.Connection, keys: dict[str, list[str]], first_seen: dict[str, dict[Any, int]], commits: int
) -> Left:
    left = Left({name: [] for name in keys}, [{} for _ in range(commits)])
    for name, columns in keys.items():
        width = len(columns)
        picked = f"SELECT {', '.join(columns)}, * FROM {name}"  # noqa: S608 - our own tables
        for row in reader.execute(picked):
            commit = first_seen[name][row[:width]]
            into = left.before if commit == 0 else left.commits[commit - 1]
            into.setdefault(name, []).append(row[width:])
    return left


def _instrumented(state: Path, batches: list[Batch], phases: Phases) -> None:
    """A pass with clocks and telemetry."""
    clock = _Clock()
    points = [(TelemetryWatcher, name, "telemetry") for name in WATCHED]
    with (
        Path(os.devnull).open("w", encoding="utf-8") as nowhere,
        closing(_opened(state, clock)) as connection,
        redirect_stdout(nowhere),
        collector_as_shipped(),
    ):
        configure("info")
        host = Host(TimedConnection(connection, phases), clock, read_campaign)
        host.watcher = _telemetry()
        with phases.on((*READING, *STAGES, *HOSTING, *points)):
            _feed(host, clock, batches)
    shutil.rmtree(state)
