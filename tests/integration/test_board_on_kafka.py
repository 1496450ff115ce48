"""A board on Kafka from which changes may be made: in a real browser, on a real broker, beside a worker that lives.

What is asked on its page goes to the topics, from where the worker has it; the board sees it come back in its copy.
"""

import re
from contextlib import closing
from datetime import UTC, datetime

import pytest
from playwright.sync_api import expect, sync_playwright

from deploy.demo.compare import wait_until_quiet
from deploy.demo.day import day
from deploy.demo.load import publish_day, send_day
from makeweight.bootstrap.changing import preview_move_distributed
from makeweight.contracts.commands import read_command
from makeweight.domain.claims import Transfer
from makeweight.planning.moving import StockMove, left
from tests.browser.test_board import settled
from tests.browser.test_changes import asked as change_asked
from tests.browser.test_changes import previewed, usable
from tests.browser.test_moves import asked as move_asked
from tests.support.board import CHROMIUM, Board
from tests.support.fleet import Installation

NOTEBOOK, ORDERS = "winter-studio/notebook", 80
EVENING = datetime(2026, 11, 24, 21, tzinfo=UTC)
SOON = 20_000  # milliseconds


@pytest.fixture(scope="module")
def desk(broker, tmp_path_factory):
    """The day on a worker that goes on, and a board on its topics from which changes may be made."""
    folder = tmp_path_factory.mktemp("desk")
    installation = Installation(broker.address, folder, orders=4, offers=2)
    try:
        settings = installation.settings
        publish_day(settings)
        installation.worker()
        send_day(settings, list(day(5, ORDERS)))
        wait_until_quiet(settings)
        env = {
            "MAKEWEIGHT_KAFKA": settings.kafka,
            "MAKEWEIGHT_PREFIX": settings.prefix,
            "MAKEWEIGHT_PARTITIONS_ORDER": str(settings.partitions_order),
            "MAKEWEIGHT_PARTITIONS_OFFER": str(settings.partitions_offer),
        }
        board = Board(folder / "copied" / "state", "--at", "newest", "--changes", on_kafka=True, **env)
        yield installation, board
        log = board.close()
        assert not re.search(r"Traceback|error|Warning", log), log
    finally:
        installation.close()


@pytest.fixture
def page(desk):
    """A page of the board's, in Debian's Chromium."""
    with (
        sync_playwright() as play,
        closing(play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])) as it,
    ):
        shown = it.new_page(viewport={"width": 1440, "height": 1000})
        shown.set_default_timeout(30_000)
        shown.goto(f"{desk[1].address}/changes?offer={NOTEBOOK}")
        expect(shown.get_by_text("Orders known up to")).to_be_visible(timeout=SOON)  # the copy is being made
        yield settled(shown)


def test_stock_that_is_moved_there_is_moved_by_the_worker(desk, page):
    """The preview is the command line's; then the ledger has it, from whom it says, and the page hears of it."""
    installation, _ = desk
    move = StockMove(NOTEBOOK, "NOTEBOOK-A5", "main", 2, NOTEBOOK, "annex", "M. Byrne", "rolls ran out")
    told = preview_move_distributed(installation.settings, move, lambda: EVENING)
    move_asked(page, "2", site="annex")
    shown = previewed(page)
    for line in left(told, lambda offer: "Notebook" if offer == NOTEBOOK else offer):
        expect(shown).to_contain_text(line[:1].upper() + line[1:])
    usable(page)
    shown.get_by_role("button", name="Move").press("Enter")
    shown.get_by_role("button", name="Yes, move them").press("Enter")
    done = page.get_by_role("status").filter(has_text="2 of NOTEBOOK-A5 for Notebook, from main to annex")
    expect(done).to_be_focused(timeout=SOON)
    expect(done).to_contain_text(re.compile("^(Moved|Handed to the ledger)"))
    bodies = [read_command(r.value) for r in installation.reading().records("ledger-commands")]
    (sent,) = [body for body in bodies if isinstance(body, Transfer)]
    assert (sent.units, sent.to_site, sent.by, sent.why) == (2, "annex", "M. Byrne", "rolls ran out")
    wait_until_quiet(installation.settings)
    level = installation.reading().level(NOTEBOOK)
    assert [one.in_transit for one in level.balances if one.site == "annex"] == [2]


def test_a_pause_that_is_published_there_is_on_the_topic(desk, page):
    """Asked once more, published, and in the board's copy a moment later."""
    installation, _ = desk
    change_asked(page, "Pause it")
    shown = previewed(page)
    shown.get_by_role("button", name="Publish").press("Enter")
    shown.get_by_role("button", name="Yes, publish it").press("Enter")
    expect(page.get_by_role("status").filter(has_text="winter-studio revision 2 is published")).to_be_focused(
        timeout=SOON
    )
    published = installation.reading().book().get("winter-studio", 2)
    assert (published.why, published.offer(NOTEBOOK).paused) == ("the bin is empty", True)
    expect(page.get_by_role("radio").first).to_have_accessible_name("Resume it", timeout=SOON)
