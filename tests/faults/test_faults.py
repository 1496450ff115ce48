"""The nemesis itself: a short run with a few faults ends well, and says so. `make faults` is the long one."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_a_few_faults():
    """Three kinds of faults under load, everything read and checked at the end: exit code 0, and the figures told."""
    command = [sys.executable, "-m", "tests.faults", "--faults", "3", "--seed", "3", "--rate", "30"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=240, check=False)
    assert done.returncode == 0, f"{done.stdout}\n{done.stderr[-4000:]}"
    assert "acknowledged orders lost: 0; violations: 0" in done.stdout
