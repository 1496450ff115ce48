"""``python -m tests.simulation --runs N [--first SEED]``, or ``--seed SEED [--trace] [--shrink]``."""

import argparse
import sys

from tests.simulation.runs import ENOUGH, play, shrunk, told, violated
from tests.simulation.schedule import draw


def main(arguments=None):
    """Run; the exit code is 1 after a violation, or if a kind of fault never came up."""
    parser = argparse.ArgumentParser(prog="python -m tests.simulation")
    parser.add_argument("--runs", type=int, default=1_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--size", type=int, default=1, help="longer runs: so many times the operations")
    parser.add_argument("--trace", action="store_true", help="tell the run of --seed step by step")
    parser.add_argument("--shrink", action="store_true", help="leave out what the violation of --seed doesn't need")
    given = parser.parse_args(arguments)
    if given.seed is not None:
        return one(draw(given.seed, given.size), trace=given.trace, shrink=given.shrink)
    return many(range(given.first, given.first + given.runs), given.size)


def one(schedule, *, trace, shrink):
    """One schedule."""
    violation = violated(schedule)
    if shrink and violation is not None:
        schedule = shrunk(schedule)
    if trace or shrink:
        print("\n".join(told(schedule)))
    print(violation or "no violation")
    return int(violation is not None)


def many(seeds, size):
    """Many seeds, and what they came to."""
    summary = play(seeds, size=size)
    speed = summary.runs / max(summary.cpu_seconds, 1e-9)
    print(
        f"{summary.runs} runs ({summary.faultless} without faults), {summary.operations} operations, "
        f"{summary.records} records, {summary.entries} entries; {summary.cpu_seconds:.1f} s CPU, {speed:.0f} seeds/s"
    )
    for kind, number in sorted(summary.faults.items()):
        print(f"  {kind:20} {number:8}")
    for seed, violation in summary.violations:
        print(f"VIOLATION in seed {seed}: {violation}")
        print(f"  python -m tests.simulation --seed {seed} --size {size} --trace --shrink")
    for kind in summary.missing:
        print(f"never came up in {ENOUGH} runs or more: {kind}")
    return int(bool(summary.violations or summary.missing))


if __name__ == "__main__":
    sys.exit(main())
