"""``python -m tests.faults --seed 1 --faults 26``: a seeded nemesis over real workers and a real broker.

Orders come in all the while. At the end everything heals, every topic is read from its beginning and checked, and the
figures are printed. Exit code 1 if anything that must hold did not.
"""

import argparse
import os
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from random import Random

from rich.console import Console
from rich.table import Table

from makeweight.adapters.kafka.worker import CRASHED
from tests.faults.floor import CAMPAIGN, day, stock
from tests.faults.nemesis import FAULTS, HARMLESS, OTHER_VERSION, Scene, order_of, strike
from tests.faults.reckoning import longest_wait, opened, percentile, reckon, recovery
from tests.faults.sender import Sender
from tests.support.broker import Broker, Cluster
from tests.support.fleet import SESSION_SECONDS, SILENT, Installation

EVENTS_AN_ORDER = 3.0  # roughly: revisions, facts, and what is said of stock
CALM_SECONDS = 10  # before the first fault: the latency without any
out = Console(width=120)
progress = Console(stderr=True)


def main():
    """Run, and say what came of it."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description="Faults on a real broker.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--faults", type=int, default=2 * len(FAULTS), help="how many; every kind comes in turn")
    parser.add_argument("--only", choices=tuple(FAULTS), help="one kind alone")
    parser.add_argument("--other-version", action="store_true", help="workers of two versions, side by side at times")
    parser.add_argument("--brokers", type=int, choices=(1, 3), default=1, help="three copy everything to each other")
    parser.add_argument("--rate", type=float, default=40.0, help="events a second")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="faults-") as name, _brokers(asked) as broker:
        installation = Installation(broker.address, Path(name), replication=asked.brokers)
        try:
            sys.exit(run(asked, broker, installation))
        finally:
            installation.end_workers()


def _brokers(asked):
    return Broker() if asked.brokers == 1 else Cluster()


def run(asked, broker, installation):
    """One run; the exit code."""
    rng = Random(asked.seed)
    # Far more than can be sent while the faults last: the day ends when they do.
    orders = int(asked.rate * (asked.faults * 16 + 60) / EVENTS_AN_ORDER)
    sender = Sender(installation, day(Random(asked.seed), orders), asked.rate)
    scene = Scene(rng, broker, installation, sender)
    # About as many orders as there will be: stock and caps are to run short.
    sold = int(asked.rate * asked.faults * 9 / EVENTS_AN_ORDER)
    installation.publish(CAMPAIGN.replace("total: 40", f"total: {sold // 6}"), stock(sold))
    for name in ("one", "two"):
        scene.start(name)
    for worker in scene.team.values():
        worker.wait_ready()
    sender.start()
    scene.wait(CALM_SECONDS)
    besides = [OTHER_VERSION] if asked.other_version else []
    kinds = [asked.only] * asked.faults if asked.only else order_of(rng, asked.faults, besides)
    for number, kind in enumerate(kinds, 1):
        if progress.is_terminal:
            progress.print(f"[{number}/{asked.faults}] {kind}")
        strike(scene, kind)
        scene.wait(rng.uniform(2, 6))
    sender.stop()
    began = time.monotonic()
    problem = _until_quiet(scene)
    drained = time.monotonic() - began
    result = reckon(installation, sender, one_code=not asked.other_version)
    if problem:
        result.violations.append(problem)
    silent = scene.ended.count((CRASHED, SILENT))
    if silent:
        result.violations.append(f"{silent} workers ended by themselves and did not say why")
    broken = sum(w.total("makeweight_invariant_violations_total") for w in scene.team.values())
    if broken:
        result.violations.append(f"{broken:.0f} invariant violations counted by the workers themselves")
    tell(asked, scene, result, drained)
    return 1 if result.violations or result.lost else 0


def _until_quiet(scene):
    """Look after the workers until all is handled; what to complain of if it takes too long."""
    end = time.monotonic() + 120
    while time.monotonic() < end:
        scene.wait(0.5)
        try:
            scene.installation.quiet(5)
        except TimeoutError:
            continue
        return None
    return "L1: not quiet within 120 s after everything had healed"


def tell(asked, scene, result, drained):
    """Print the figures."""
    sender, happenings = scene.sender, scene.happenings
    out.print(
        f"seed {asked.seed}, {asked.rate:.0f} events a second, {len(happenings)} faults, {asked.brokers} broker(s), "
        f"two workers, session {SESSION_SECONDS:.0f} s, {os.cpu_count()} cores"
    )
    seconds = sender.ended_at - sender.started_at
    out.print(f"events: {sender.sent} sent, {sender.acknowledged} acknowledged, {sender.unknown} unknown")
    out.print(
        f"orders with a final ticket: {len(result.orders)} in {seconds:.0f} s; drained {drained:.1f} s after the last"
    )
    again = result.said - result.decisions
    out.print(f"decisions: {result.decisions}; said {result.said} times, {again} of them again")
    out.print(f"workers that ended by themselves and were started anew: {len(scene.ended)}")
    for (code, why), count in Counter(scene.ended).items():
        out.print(f"  {count} x code {code}: {why}", highlight=False)
    out.print(f"what the warehouse and people said of stock: {', '.join(f'{n} {what}' for what, n in result.said_of)}")
    out.print(f"acknowledged orders lost: {result.lost}; violations: {len(result.violations)}")
    for violation in result.violations:
        out.print(f"  [red]{violation}[/red]")
    _tell_recovery(scene, result)
    calm = sender.started_at + CALM_SECONDS
    for what, some in (
        ("before the first fault", [one for one in result.orders if one.final < calm]),
        ("from the first fault on", [one for one in result.orders if one.sent >= calm]),
    ):
        waits = [one.final - one.sent for one in some]
        out.print(
            f"order to final ticket {what}: p50 {percentile(waits, 0.5):.2f} s, p99 {percentile(waits, 0.99):.2f} s"
        )
    out.print("not tested: loss of a machine with its disk, loss of power, networks that part")


def _tell_recovery(scene, result):
    partitions = scene.installation.settings.partitions_order
    ends = [one.began for one in scene.happenings[1:]] + [scene.sender.ended_at]
    by_kind = {}
    for one, until in zip(scene.happenings, ends, strict=True):
        whole = recovery(one, result.orders, partitions)
        if one.kind not in HARMLESS and whole is not None:
            figures = (one.healed - one.began, opened(scene.installation, one), whole)
            by_kind.setdefault(one.kind, []).append((*figures, longest_wait(one, result.orders, until)))
    made = Table("fault", "times", "lasted s", "next gate s", "all partitions serve s", "most s", "longest wait s")
    for kind, each in sorted(by_kind.items()):
        lasted, gates, whole, waits = zip(*each, strict=True)
        known = [gate for gate in gates if gate is not None]
        gate = f"{percentile(known, 0.5):.1f}" if known else "-"
        middle = (f"{percentile(lasted, 0.5):.1f}", gate, f"{percentile(whole, 0.5):.1f}")
        made.add_row(kind, str(len(each)), *middle, f"{max(whole):.1f}", f"{max(waits):.1f}")
    out.print(
        "medians by kind, from the fault's beginning; all partitions serve: of the broker's, from when it was back"
    )
    out.print(made)
    everything = [whole for each in by_kind.values() for *_, whole, _ in each]
    p50, p95 = percentile(everything, 0.5), percentile(everything, 0.95)
    out.print(f"all partitions serve: p50 {p50:.1f} s, p95 {p95:.1f} s, most {max(everything, default=0.0):.1f} s")


if __name__ == "__main__":
    main()
