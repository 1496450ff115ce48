"""What the board costs: loading a page, and its process with 1 and 50 open pages, on few orders and on many.

``python -m tests.bench.board [--orders 1000 50000]``. No test is timed: the figures are this machine's.
"""

import argparse
import re
import shutil
import threading
import time
from pathlib import Path
from statistics import median

from playwright.sync_api import Browser, sync_playwright

import deploy.demo.play as demo
from deploy.demo.day import day
from deploy.demo.play import DayClock
from makeweight.bootstrap import Embedded
from makeweight.settings import Settings
from tests.support.board import CHROMIUM, NINE, SEED, Board, Evening, evening

FOLDER = Path("build") / "bench-board"
PATHS = ("/", "/exceptions", "/orders?q=ART-FOUR", "/tickets")
OPEN = (1, 50)
WATCHED_SECONDS = 30
LOADS = 5
EVENTS_A_SECOND, ROUNDS = 8, 2


def state_of(orders: int) -> Path:
    """A database of the demo's day up to nine in the evening, with so many orders to the whole day; made once."""
    folder = FOLDER / str(orders)
    done = folder / "done"
    if not done.exists():
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        evening(folder, orders).service.close()
        done.touch()
    return (folder / "state").resolve()


def loads(browser: Browser, address: str, path: str) -> float:
    """Milliseconds until a page shows its numbers, the library's files in the cache; the median of some."""
    context = browser.new_context()
    found = []
    for _ in range(LOADS + 1):
        page = context.new_page()
        began = time.perf_counter()
        page.goto(address + path)
        page.get_by_text("Orders known up to").wait_for()
        found.append(1_000 * (time.perf_counter() - began))
        page.close()
    context.close()
    return median(found[1:])


def answers(browser: Browser, address: str, path: str) -> float:
    """Milliseconds until the server has answered with a page, alone."""
    request = browser.new_context().request
    found = []
    for _ in range(LOADS):
        began = time.perf_counter()
        request.get(address + path).body()
        found.append(1_000 * (time.perf_counter() - began))
    return median(found)


class Going(threading.Thread):
    """The shop goes on: so many events a second while ``busy`` is set, until it is ended."""

    def __init__(self, state: Path, orders: int) -> None:
        super().__init__()
        self._ended, self.busy = threading.Event(), threading.Event()
        events = [event for event in day(SEED, orders) if event["time"] >= NINE]
        self._shop = Evening(Embedded(Settings(state=state, kafka=None), clock := DayClock()), clock, events, state)

    def run(self) -> None:
        """A few events at a time."""
        self._shop.service.intake.start()
        while not self._ended.wait(1 / ROUNDS):
            assert self._shop.later, "the day is over, and nothing is left to send"
            if self.busy.is_set():
                self._shop.go_on(EVENTS_A_SECOND // ROUNDS)

    def end(self) -> None:
        """No more."""
        self._ended.set()
        self.join()
        self._shop.service.close()


def busy(browser: Browser, board: Board, going: Going, pages: int) -> float:
    """Percent of a core that the board's process takes with so many offers pages open."""
    context = browser.new_context()
    for _ in range(pages):
        page = context.new_page()
        page.goto(board.address)
        page.get_by_text("Orders known up to").wait_for()
    going.busy.set()
    before, began = board.cpu_seconds(), time.perf_counter()
    time.sleep(WATCHED_SECONDS)
    used = board.cpu_seconds() - before
    listening = re.search(
        r"makeweight_board_open_pages ([0-9.]+)", context.request.get(f"{board.address}/metrics").text()
    )
    assert listening is not None
    assert float(listening[1]) >= pages, "the board has lost some of the pages"
    taken = 100 * used / (time.perf_counter() - began)
    going.busy.clear()
    context.close()
    return taken


def measure(orders: int, browser: Browser) -> None:
    """The figures of one database."""
    state = state_of(orders)
    began = time.perf_counter()
    board = Board(state, "--at", "newest")
    try:
        page = browser.new_page()
        page.goto(board.address)
        page.get_by_text("Orders known up to").wait_for(timeout=600_000)
        first, used = time.perf_counter() - began, board.cpu_seconds()
        print(f"{orders:,} orders: the first picture after {first:.1f} s, {used:.1f} s of a core")
        page.close()
        for path in PATHS:
            answered, loaded = answers(browser, board.address, path), loads(browser, board.address, path)
            print(f"  {path:24} answered in {answered:5.0f} ms, shown in {loaded:5.0f} ms")
        going = Going(state, orders)
        going.start()
        for pages in OPEN:
            taken = busy(browser, board, going, pages)
            print(f"  {pages:2} open pages, {EVENTS_A_SECOND} events a second: {taken:5.1f} % of a core")
        going.end()
    finally:
        board.close()


def main() -> None:
    """Measure, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--orders", type=int, nargs="+", default=[1_000, 50_000])
    asked = parser.parse_args()
    demo.BATCH = 500
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        for orders in asked.orders:
            measure(orders, browser)
        browser.close()


if __name__ == "__main__":
    main()
