"""A real Prometheus on a free port, with the repository's rules, that scrapes what it is told to."""

import json
import math
import shutil
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from pathlib import Path

import yaml

from tests.support.broker import free_ports

CONFIG = Path(__file__).parents[2] / "deploy" / "prometheus" / "prometheus.yml"
START_SECONDS = 30
MISSING = "prometheus is missing: install Debian's package `prometheus`"


class Prometheus:
    """The repository's configuration with other targets and a shorter interval; its data is in a folder of the test."""

    def __init__(self, folder, targets):
        program = shutil.which("prometheus")
        assert program, MISSING
        config = yaml.safe_load(CONFIG.read_text())
        # A page that isn't there in time counts as down, so a busy machine gets two seconds.
        config["global"] = {"scrape_interval": "2s", "scrape_timeout": "2s", "evaluation_interval": "1s"}
        config["rule_files"] = [str(CONFIG.parent / pattern) for pattern in config["rule_files"]]
        for job in config["scrape_configs"]:
            job["static_configs"] = [{"targets": [f"127.0.0.1:{port}" for port in targets[job["job_name"]]]}]
        file = folder / "prometheus.yml"
        file.write_text(yaml.safe_dump(config))
        self._address = f"127.0.0.1:{free_ports(1)[0]}"
        self._log = folder / "prometheus.log"
        options = {
            "config.file": file,
            "storage.tsdb.path": folder / "prometheus",
            "web.listen-address": self._address,
        }
        with self._log.open("wb") as log:
            command = [program, *(f"--{name}={value}" for name, value in options.items())]
            self._process = subprocess.Popen(command, stdout=log, stderr=log)

    def wait_ready(self):
        """Return once it answers; if it ends before, fail with what it said."""
        end = time.monotonic() + START_SECONDS
        while time.monotonic() < end and self._process.poll() is None:
            try:
                with urllib.request.urlopen(f"http://{self._address}/-/ready", timeout=1):
                    return self
            except (urllib.error.URLError, TimeoutError, ConnectionError):
                time.sleep(0.1)
        raise AssertionError(f"Prometheus did not start:\n{self._log.read_text()[-3000:]}")

    def ask(self, path, **arguments):
        """The data of an answer of its HTTP API; a query that it can't read fails with what it says of it."""
        url = f"http://{self._address}/api/v1/{path}?{urllib.parse.urlencode(arguments)}"
        try:
            with urllib.request.urlopen(url, timeout=10) as answer:
                return json.load(answer)["data"]
        except urllib.error.HTTPError as error:
            raise AssertionError(f"{arguments}: {error.read().decode()}") from None

    def values(self, query):
        """The values that a query gives now, those that are numbers."""
        found = [float(one["value"][1]) for one in self.ask("query", query=query)["result"]]
        return [value for value in found if not math.isnan(value)]

    def groups(self):
        """Its groups of rules as it knows them, with their health and when they were evaluated."""
        return self.ask("rules")["groups"]

    def firing(self):
        """The alerts that fire."""
        return [alert for alert in self.ask("alerts")["alerts"] if alert["state"] == "firing"]

    def close(self):
        """End it."""
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
