"""``makeweight board`` as a command: what it loads, what it needs, what it refuses; in processes of their own."""

import json
import os
import signal
import socket
import subprocess
import sys

import pytest

from makeweight.cli.console import UNAVAILABLE, USAGE
from tests.integration.test_cli import published
from tests.integration.test_http import CAMPAIGN
from tests.support.board import Board

STOCK = "gift,site,units\nTIN,main,9\n"
HEAVY = ("nicegui", "fastapi", "uvicorn", "reportlab", "scipy")
BLOCKED = "import sys; sys.modules[{name!r}] = None; from makeweight.cli import main; main()"


@pytest.fixture
def state(tmp_path):
    """A service's directory before its first order."""
    (tmp_path / "week.yaml").write_text(CAMPAIGN)
    (tmp_path / "stock.csv").write_text(STOCK)
    return published(tmp_path)


def python(code, *arguments, **env):
    """Python in a process of its own, with the environment of a plain terminal."""
    kept = {name: text for name, text in os.environ.items() if name in ("PATH", "HOME", "LANG")}
    command = [sys.executable, "-c", code, *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, env=kept | env, timeout=120, check=False)


def command(*arguments, **env):
    """The command."""
    return python("from makeweight.cli import main; main()", *arguments, **env)


def test_no_other_command_loads_it():
    """What the board needs is not loaded by the rest: it is an extra, and slow to load."""
    code = f"import json, sys, makeweight.cli.main; print(json.dumps([n for n in {HEAVY} if n in sys.modules]))"
    assert json.loads(python(code).stdout) == []


@pytest.mark.parametrize("name", ["nicegui", "reportlab", "scipy"])
def test_without_the_extra(name, state):
    """Who has not installed the extra is told how."""
    done = python(BLOCKED.format(name=name), "board", "--state", state)
    assert (done.returncode, "Traceback" in done.stderr) == (USAGE, False)
    assert "pip install 'makeweight[board]'" in done.stderr


@pytest.mark.parametrize(
    ("arguments", "env", "code", "part"),
    [
        (["--at", "noon"], {}, USAGE, "expected 'newest', or a date and time, such as 2026-11-24T16:00:00Z"),
        (["--at", "2026-11-24T21:00:00"], {}, USAGE, "has no zone; add Z or an offset"),
        (["--port", "70000"], {}, USAGE, "65535"),
        ([], {"MAKEWEIGHT_PORT": "many"}, USAGE, "MAKEWEIGHT_PORT"),
    ],
)
def test_what_it_refuses(arguments, env, code, part, state):
    """Options that are wrong are told before anything is done."""
    done = command("board", "--state", state, *arguments, **env)
    assert (done.returncode, "Traceback" in done.stderr) == (code, False)
    assert part in done.stderr


def test_no_service_there(tmp_path):
    """A directory without a service is not made into one."""
    done = command("board", "--state", tmp_path / "nowhere")
    assert done.returncode == UNAVAILABLE
    assert "holds no service state" in done.stderr
    assert not (tmp_path / "nowhere").exists()


def test_the_port_is_taken(state):
    """Where somebody listens already, it says so and ends."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        done = command("board", "--state", state, "--port", taken.getsockname()[1])
    assert done.returncode == UNAVAILABLE
    assert "can't listen on 127.0.0.1" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_ends_when_it_is_told_to(number, state):
    """On loopback unless it is told otherwise; it ends at once, quietly, and leaves nothing behind."""
    before = set(state.iterdir())
    board = Board(state, MAKEWEIGHT_PORT="8430")
    assert board.address.startswith("http://127.0.0.1:")
    board.process.send_signal(number)
    assert board.process.wait(15) == 0
    assert "Traceback" not in board.log.read_text()
    assert {path.name for path in set(state.iterdir()) - before} <= {"makeweight.db-wal", "makeweight.db-shm"}
