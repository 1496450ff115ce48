"""``python -m tests.bench``: measures, and prints tables with ratios. Nothing is asserted of any time."""

import argparse
import tempfile
import time
from pathlib import Path

from tests.bench import changing, distributed, embedded, judging, replaying
from tests.bench.measure import machine, note, out

BUILD = Path("build")  # on the disk, where a commit has to wait for it; /tmp may be memory


def main() -> None:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description="Measure; print tables with ratios.")
    parser.add_argument("--quick", action="store_true", help="fewer orders and rounds: under a minute")
    parser.add_argument("--full", action="store_true", help="replay all open baskets from Parquet")
    parser.add_argument(
        "--only", choices=("judging", "embedded", "replay", "changing", "distributed"), help="one of the benchmarks"
    )
    asked = parser.parse_args()
    started = time.monotonic()
    machine()
    BUILD.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="bench-", dir=BUILD) as name:
        scratch = Path(name)
        if asked.only in (None, "judging"):
            judging.show(quick=asked.quick)
        if asked.only in (None, "embedded"):
            embedded.show(scratch, quick=asked.quick)
        if asked.only in (None, "replay"):
            replaying.show(scratch, quick=asked.quick, full=asked.full)
        if asked.only in (None, "changing"):
            changing.show(quick=asked.quick)
        if asked.only in (None, "distributed"):
            distributed.show(scratch, quick=asked.quick)
    out.print()
    note(f"took {time.monotonic() - started:.0f} s")


if __name__ == "__main__":
    main()
