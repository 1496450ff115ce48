"""Both runtimes decide alike: the demo's day with a worker killed in it, and random days.

Two parts, as `deploy/demo/compare.py` says: what does not depend on the order of arrival is equal outright, and the
embedded host on the recorded inputs comes to the same canonical hash.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from deploy.demo.compare import compare, wait_until_quiet
from deploy.demo.day import day
from deploy.demo.load import publish_day, send_day
from tests.support.fleet import ROOT, Installation

EXAMPLES = 4 if os.environ.get("CI") else 2  # each is a day through two workers, about ten seconds


def test_the_demo_day(broker):
    """`make demo-kafka` on the suite's broker: equal, with one of two workers killed and replaced in the middle."""
    command = [sys.executable, "-m", "deploy.demo.play_kafka"]
    environment = {**os.environ, "MAKEWEIGHT_KAFKA": broker.address}
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, env=environment, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "killed in mid-stream" in done.stderr
    assert "what does not depend on the order of arrival: equal" in done.stdout
    hashes = [line.split()[-1] for line in done.stdout.splitlines() if line.startswith(("distributed", "embedded"))]
    assert len(hashes) == 2
    assert hashes[0] == hashes[1]
    assert len(hashes[0]) == 64


# A day that differs is told as it is: making it smaller would take a worker's start a try.
PHASES = (Phase.explicit, Phase.reuse, Phase.generate)


@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck), phases=PHASES)
@given(seed=st.integers(0, 2**32), orders=st.integers(40, 160))
def test_random_days(broker, seed, orders):
    """Days of any seed and size, with amendments, cancellations, repeats, lateness and a warehouse at work."""
    events = list(day(seed, orders))
    with tempfile.TemporaryDirectory() as folder:
        installation = Installation(broker.address, Path(folder), orders=4, offers=2)
        try:
            publish_day(installation.settings)
            for name in ("one", "two"):
                installation.worker(name, ready=False)
            for worker in installation.workers:
                worker.wait_ready()
            assert send_day(installation.settings, events) == len(events)
            wait_until_quiet(installation.settings)
            found = compare(installation.settings, events)
        finally:
            installation.close()
    assert found.differing == []
    assert found.distributed == found.again
    assert found.compared["judgement"] >= orders - 1
    assert found.compared["ticket"] > orders // 4
