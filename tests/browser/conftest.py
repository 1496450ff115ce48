"""A real browser, the demo's shop in the evening, and a board that looks at it."""

import os
import re
from pathlib import Path

import pytest
from playwright.sync_api import sync_playwright

from tests.support.board import CHROMIUM, Board, evening

SCREENS = Path(os.environ.get("MAKEWEIGHT_SCREENS") or Path(__file__).parent / "screens")


@pytest.fixture(scope="package")
def shop(tmp_path_factory):
    """The demo's shop in the evening, in a service that goes on."""
    found = evening(tmp_path_factory.mktemp("board"))
    yield found
    found.service.close()


@pytest.fixture(scope="package")
def board(shop):
    """A board on it, as a process; it ends without a word of complaint."""
    found = Board(shop.state, "--at", "newest")
    yield found
    log = found.close()
    assert not re.search(r"Traceback|error|Warning", log), log


@pytest.fixture(scope="package")
def browser():
    """Debian's Chromium, headless. Where there is none the tests fail: they are not skipped.

    It ends with the last test of this folder: while it runs, so does an event loop of Playwright's in this thread, and
    other tests want to start their own.
    """
    with sync_playwright() as play:
        found = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield found
        found.close()


@pytest.fixture
def opened(board, browser):
    """Opens a page of the board; whatever it asks for and whatever it complains of is kept, and must be harmless."""
    contexts, asked, complaints = [], [], []

    def open_page(path, *, scheme="light", width=1440, height=1000, address=board.address, refused=False, **options):
        context = browser.new_context(color_scheme=scheme, viewport={"width": width, "height": height}, **options)
        contexts.append(context)
        page = context.new_page()
        page.on("request", lambda request: asked.append(request.url))
        page.on("websocket", lambda socket: asked.append(socket.url))
        if not refused:  # a browser complains of each answer that refuses something
            page.on("console", lambda m: complaints.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(f"{address}{path}")
        return page

    yield open_page
    for context in contexts:
        context.close()
    outside = [url for url in asked if not re.match(r"(http|ws)://127\.0\.0\.1:\d+/|data:|blob:", url)]
    assert outside == []
    assert complaints == []


@pytest.fixture
def keep():
    """Keeps a screenshot of a whole page, for people to look at."""
    SCREENS.mkdir(parents=True, exist_ok=True)
    return lambda page, name: page.screenshot(path=SCREENS / f"{name}.png", full_page=True)
