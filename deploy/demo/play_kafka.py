"""Play the demo's day through Kafka and two workers, one of which is killed: ``make demo-kafka``.

The broker is the one that MAKEWEIGHT_KAFKA names, or one that is started for the demo. What the workers made of the day
is compared with the embedded service at the end.
"""

import os
import shutil
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path
from uuid import uuid4

from rich.console import Console

from deploy.demo.compare import compare, wait_until_quiet
from deploy.demo.day import day
from deploy.demo.load import publish_day, send_day
from makeweight.adapters.telemetry.logs import configure
from makeweight.bootstrap.kafka import administration
from makeweight.cli.console import read_settings
from makeweight.settings import Settings
from tests.support.broker import found_broker, free_ports

STATE = Path("build") / "demo-kafka"
START_SECONDS = 60
SESSION_SECONDS = 6.0

COMPARED = {
    "judgement": "orders' judgements",
    "decision": "decisions",
    "units granted": "offers' units granted",
    "stock left": "stocks left",
    "ticket": "tickets",
}

out = Console(highlight=False, soft_wrap=True)
err = Console(stderr=True)


class Process:
    """A worker in a process of its own."""

    def __init__(self, settings: Settings, name: str) -> None:
        self.name, self._port = name, free_ports(1)[0]
        environment = os.environ | {
            "MAKEWEIGHT_KAFKA": str(settings.kafka),
            "MAKEWEIGHT_PREFIX": settings.prefix,
            "MAKEWEIGHT_STATE": str(STATE / name),
            "MAKEWEIGHT_PORT": str(self._port),
            "MAKEWEIGHT_WORKER": f"{settings.prefix}{name}",
            "MAKEWEIGHT_PARTITIONS_ORDER": str(settings.partitions_order),
            "MAKEWEIGHT_PARTITIONS_OFFER": str(settings.partitions_offer),
            "MAKEWEIGHT_SESSION_SECONDS": str(SESSION_SECONDS),
            "MAKEWEIGHT_LOG_LEVEL": "warning",
        }
        command = [str(Path(sys.executable).with_name("makeweight")), "worker"]
        STATE.mkdir(parents=True, exist_ok=True)
        with (STATE / f"{name}.log").open("ab") as log:
            self.process = subprocess.Popen(command, env=environment, stdout=log, stderr=log)

    def wait(self) -> None:
        """Return once it is ready."""
        end = time.monotonic() + START_SECONDS
        while time.monotonic() < end:
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{self._port}/health", timeout=1):
                    return
            except (urllib.error.URLError, TimeoutError, ConnectionError):
                time.sleep(0.2)
            if self.process.poll() is not None:
                break
        raise RuntimeError(f"{self.name} did not become ready; its log is {STATE / self.name}.log")

    def kill(self) -> None:
        """SIGKILL."""
        self.process.kill()
        self.process.wait()

    def close(self) -> None:
        """SIGTERM, and wait."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(20)
            except subprocess.TimeoutExpired:
                self.kill()


def play() -> int:
    """Run the demo; 0 if both runtimes are equal."""
    configure("error")
    shutil.rmtree(STATE, ignore_errors=True)
    given = os.environ.get("MAKEWEIGHT_KAFKA")
    err.print(f"broker: {given or 'one is started for the demo (the first time it is fetched)'}", style="dim")
    broker = None if given else found_broker()
    try:
        address = given or (broker.address if broker else "")
        prefix = f"demo-{uuid4().hex[:8]}."
        return _play(read_settings(kafka=address, prefix=prefix, replication=1, partitions_order=8, partitions_offer=4))
    finally:
        if broker is not None:
            broker.close()


def _play(settings: Settings) -> int:
    administration(settings).apply()
    publish_day(settings)
    workers = {name: Process(settings, name) for name in ("worker-1", "worker-2")}
    try:
        for worker in workers.values():
            worker.wait()
        err.print("two workers are ready; the day begins", style="dim")

        def replace() -> None:
            workers["worker-1"].kill()
            err.print("worker-1 killed in mid-stream, and replaced", style="dim")
            workers["worker-1"] = Process(settings, "worker-1")

        events = list(day())
        began = time.monotonic()
        count = send_day(settings, events, replace)
        wait_until_quiet(settings)
        out.print(f"{count:,} events through Kafka in {time.monotonic() - began:.0f} s, one worker killed in between")
    finally:
        for worker in workers.values():
            worker.close()
    found = compare(settings, events, lambda what: err.print(f"comparing: {what} …", style="dim"))
    told = ", ".join(f"{found.compared[kind]:,} {words}" for kind, words in COMPARED.items())
    out.print(f"what does not depend on the order of arrival: {'equal' if not found.differing else 'differs'} ({told})")
    for line in found.differing:
        out.print(f"  {line}", markup=False)
    out.print(f"distributed run:                {found.distributed}")
    out.print(f"embedded, on recorded inputs:   {found.again}")
    out.print("[bold]equal[/bold]" if found.equal else "[bold]not equal[/bold]")
    return 0 if found.equal else 1


if __name__ == "__main__":
    sys.exit(play())
