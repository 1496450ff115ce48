"""Replay: orders per second from JSONL and from Parquet on the open baskets, with thirty offers, on one core."""

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any
from unittest.mock import patch

import orjson
import pyarrow as pa
import pyarrow.parquet as pq

from makeweight import bootstrap
from makeweight.adapters.documents.table import Table
from tests.bench import baskets
from tests.bench.measure import Run, Spread, collector_as_shipped, note, out, run, step, table, title
from tests.bench.phases import READING, REPLAYING, STAGES, Phases, shares

TARGET = 20_000


def show(scratch: Path, *, quick: bool, full: bool) -> None:
    """Measure and print."""
    jsonl_count, parquet_count, rounds = (2_000, 4_000, 3) if quick else (20_000, 30_000, 3)
    step("replay: writing the open baskets as JSONL and as Parquet, untimed")
    threads = pa.cpu_count()
    everything = baskets.lines()
    parquet = baskets.first_orders(everything, len(everything) if full else parquet_count)
    jsonl_path, parquet_path, campaign = (scratch / name for name in ("o.jsonl", "lines.parquet", "thirty.yaml"))
    baskets.write_jsonl(baskets.first_orders(everything, jsonl_count), jsonl_path)
    pq.write_table(parquet, parquet_path)
    baskets.write_campaign(campaign)
    del everything, parquet
    requests = {
        "JSONL": bootstrap.ReplayRequest([campaign], orders=jsonl_path),
        "Parquet": bootstrap.ReplayRequest([campaign], lines=parquet_path, zone=baskets.ZONE),
    }
    floors = {"JSONL": lambda: _read_jsonl(jsonl_path), "Parquet": lambda: _read_parquet(parquet_path)}
    pa.set_cpu_count(1)
    try:
        runs = {name: _runs(name, request, floors[name], rounds) for name, request in requests.items()}
        summaries = {name: ours[0].result.summary for name, (ours, _) in runs.items()}
        _tell(runs, summaries)
        for name, request in requests.items():
            orders = summaries[name]["orders"]
            micros = 1e6 * Spread(r.cpu for r in runs[name][0]).median / orders
            phases = _where(name, request)
            title(f"Where it goes from {name}: shares of a pass with clocks, applied to the CPU time above")
            out.print(shares({name: (phases, micros)}, "order"))
    finally:
        pa.set_cpu_count(threads)


Runs = tuple[list[Run], list[Run]]  # ours and the peer's


def _runs(name: str, request: bootstrap.ReplayRequest, floor: Callable[[], object], rounds: int) -> Runs:
    step(f"replay: {name}, {rounds} rounds of two")
    ours, peers = [], []
    for _ in range(rounds):
        with collector_as_shipped():
            peers.append(run(floor))
            done = run(lambda: bootstrap.run_replay(request))
        # Only the summary is kept, so that the next run finds as much memory as this one.
        ours.append(Run(done.wall, done.cpu, _Kept(done.result.summary)))
        del done
    return ours, peers


class _Kept:
    """What is kept of a replay's result."""

    def __init__(self, summary: dict[str, Any]) -> None:
        self.summary = summary


def _tell(runs: dict[str, Runs], summaries: dict[str, dict[str, Any]]) -> None:
    title("Replay: thirty offers on the open baskets, one core")
    heads = ("", "orders", "lines/order", "gifts/order", "orders/CPU s", "orders/s (wall)", "CPU µs/order")
    made = table(*heads, "CPU / peer")
    reached: dict[str, float] = {}
    peers = {"JSONL": "peer: orjson.loads, sum", "Parquet": "peer: pyarrow, group by"}
    for name, (ours, floor) in runs.items():
        summary = summaries[name]
        orders = summary["orders"]
        granted = sum(offer["granted"] for offer in summary["offers"].values())
        ratios = [r.cpu / f.cpu for r, f in zip(ours, floor, strict=True)]
        reached[name] = orders / Spread(r.cpu for r in ours).median
        head = [f"{orders:,}", f"{summary['lines'] / orders:.1f}", f"{granted / orders:.2f}"]
        made.add_row(f"replay from {name}", *head, *_speeds(ours, orders), Spread(ratios).told(1))
        made.add_row(peers[name], "", "", "", *_speeds(floor, orders), "1")
    out.print(made)
    for name, speed in reached.items():
        verdict = "reached" if speed >= TARGET else f"not reached, {TARGET / speed:.1f} times too slow"
        out.print(f"{name}: {speed:,.0f} orders a second of one core; target {TARGET:,}: [bold]{verdict}[/bold]")
    note(
        "A replay as `makeweight replay` runs it, its setting of the garbage collector too: from the files to the "
        "summary and its hash. "
        "JSONL is bare order events, one a line; Parquet is one row a line with times as the data set has them. "
        "Writing both files is not timed. The peers read the same files and sum their totals, no more. Arrow has one "
        "thread; orders/CPU s counts what other threads did too. "
        "'gifts/order' counts grants of gifts and benefits."
    )


def _speeds(runs: Iterable[Run], orders: int) -> list[str]:
    per_cpu = Spread(orders / r.cpu for r in runs)
    per_wall = Spread(orders / r.wall for r in runs)
    return [per_cpu.told(0), per_wall.told(0), Spread(1e6 * r.cpu / orders for r in runs).told(1)]


def _read_jsonl(path: Path) -> int:
    with path.open("rb") as file:
        return sum(sum([line["total_charged"] for line in orjson.loads(raw)["lines"]]) for raw in file)


def _read_parquet(path: Path) -> int:
    sold = pq.read_table(path, use_threads=False)
    return sold.group_by("order_id", use_threads=False).aggregate([("line_total", "sum")]).num_rows


def _where(name: str, request: bootstrap.ReplayRequest) -> Phases:
    """A pass with clocks."""
    step(f"replay: {name}, a pass with clocks")
    phases = Phases()
    reading = READING if name == "JSONL" else ((Table, "__init__", "parse: read the file"),)
    orders_of = phases.wrap_items("parse: columns and groups", "parse: build orders", Table.orders)
    with collector_as_shipped(), patch.object(Table, "orders", orders_of), phases.on((*reading, *STAGES, *REPLAYING)):
        bootstrap.run_replay(request)
    return phases
