"""The demo's day played live beside its board, as `make demo-board` does: stock burns while someone watches."""

import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
START_SECONDS = 90


def free_port():
    """A port that nobody listens on now."""
    with socket.socket() as chosen:
        chosen.bind(("127.0.0.1", 0))
        return chosen.getsockname()[1]


def units(text):
    """The number with which a text begins."""
    return int(re.match(r"[\d,]+", text)[0].replace(",", ""))


def test_stock_burns_on_an_open_page(browser, tmp_path):
    """The number of gifts left falls without a reload; Ctrl-C ends both the day and the board."""
    port, said = free_port(), tmp_path / "said"
    command = [
        sys.executable,
        "-m",
        "deploy.demo.play_board",
        "--start",
        "09:30",
        "--speed",
        "600",
        "--port",
        str(port),
    ]
    with said.open("w") as out:
        # In a folder of its own, so that it meets no demo that someone plays by hand; in a group of its own, since a
        # Ctrl-C reaches the board too.
        playing = subprocess.Popen(
            command, stdout=out, stderr=out, cwd=tmp_path, env={"PYTHONPATH": str(ROOT)}, start_new_session=True
        )
        try:
            until = time.monotonic() + START_SECONDS
            while f"127.0.0.1:{port}" not in said.read_text():
                assert playing.poll() is None, said.read_text()
                assert time.monotonic() < until, said.read_text()
                time.sleep(0.2)
            page = browser.new_page()
            page.goto(f"http://127.0.0.1:{port}/")
            postcards = page.locator("article", has=page.get_by_role("heading", name="Postcards"))
            left = postcards.locator("dd").first
            left.wait_for(timeout=30_000)
            first = units(left.inner_text())
            until = time.monotonic() + 30
            while units(left.inner_text()) >= first:
                assert time.monotonic() < until, left.inner_text()
                time.sleep(0.2)
            page.close()
        finally:
            playing.send_signal(signal.SIGINT)
            code = playing.wait(20)
    assert code == 0, said.read_text()
    assert "Traceback" not in said.read_text()
