"""Changing an offer in a real browser: previewed as the command line does, published where that is allowed."""

import re
import shlex
from contextlib import closing
from datetime import UTC, datetime
from http.client import HTTPConnection

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from makeweight.adapters.board.asking import moment
from makeweight.bootstrap.changing import Changes
from makeweight.cli.console import USAGE
from makeweight.planning.changing import Change
from makeweight.planning.previewing import figures, reach
from makeweight.settings import Settings
from tests.browser.test_board import WCAG, settled
from tests.integration.test_cli import run
from tests.support.board import Board, evening

NOTEBOOK = "winter-studio/notebook"
PATH = f"/changes?offer={NOTEBOOK}"
ZONE = "Europe/Dublin"
FOUR = datetime(2026, 11, 24, 16, tzinfo=UTC)
SOCKET = "_nicegui_ws/socket.io/?EIO=4&transport=websocket"
OPENS = """address => new Promise(told => {
  const socket = new WebSocket(address)
  socket.onopen = () => told('open')
  socket.onerror = () => told('refused')
})"""


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """A smaller evening, on a board from which changes may be published."""
    folder = tmp_path_factory.mktemp("changes")
    shop = evening(folder, orders=250)
    board = Board(shop.state, "--at", "newest", "--changes")
    yield shop, board
    log = board.close()
    shop.service.close()
    assert not re.search(r"Traceback|error|Warning", log), log


def asked(page, kind, at="", why="the bin is empty", by="M. Byrne"):
    """Fill in the form and ask for the preview."""
    page.get_by_role("radio", name=kind).check()
    page.get_by_label(re.compile("^(Counts from|Ends at)")).fill(at)
    page.get_by_label("Why").fill(why)
    page.get_by_label("Who answers for it").fill(by)
    page.get_by_role("button", name="Preview").click()


def previewed(page):
    """What is shown of a preview, once it is there: its heading has the focus."""
    expect(page.locator("#previewed")).to_be_focused()
    return page.get_by_role("region", name="Preview")


def asked_as(host, address):
    """The status of an answer where a board is asked for by a name that leads to it."""
    connection = HTTPConnection(address.removeprefix("http://"), timeout=10)
    try:
        connection.request("GET", "/health", headers={"Host": host})
        return connection.getresponse().status
    finally:
        connection.close()


def usable(page):
    """Axe finds nothing."""
    found = Axe().run(page, options=WCAG)
    assert found.violations_count == 0, found.generate_report()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_preview_is_what_the_command_line_tells(scheme, shop, opened, keep):
    """Its figures and sentences are those of `Changes`, and why it can't be published is said on the zone's clock."""
    page = settled(opened(PATH, scheme=scheme))
    asked(page, "End it", "2026-11-24T16:00")
    shown = previewed(page)
    with closing(Changes(Settings(state=shop.state), shop.clock)) as changes:
        preview = changes.preview(Change("end", NOTEBOOK, "M. Byrne", "the bin is empty", FOUR))
    rows = shown.locator("tbody tr")
    for number, one in enumerate(preview.difference.offers):
        wanted = [f"{was:,} → {now:,}" if was != now else f"{was:,}" for was, now in figures(one.before, one.after)]
        cells = rows.nth(number).locator("td").all_inner_texts()
        assert [re.sub(r"\s+becomes\s+|\s*→\s*(becomes)?\s*", " → ", text.strip()) for text in cells] == wanted
    assert any("→" in text for text in rows.locator("td").all_inner_texts())
    expect(shown).to_contain_text(reach(preview, lambda at: moment(at, ZONE)))
    expect(shown).to_contain_text("could not be published: Tue 24 Nov 2026 16:00 GMT is too early")
    expect(shown.get_by_role("button")).to_have_count(0)
    keep(page, f"changes-late-{scheme}")
    usable(page)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_board_publishes_nothing_unless_it_may(scheme, opened, keep):
    """It shows the command instead, with what was written in the form; a form that changes takes it away."""
    page = settled(opened(PATH, scheme=scheme))
    asked(page, "Change its caps", why="it's 'counted'")
    expect(page.get_by_role("textbox", name="In all")).to_have_accessible_description(re.compile("change one of them"))
    page.get_by_role("textbox", name="In all").fill("450")
    page.get_by_role("button", name="Preview").click()
    shown = previewed(page)
    words = shlex.split(shown.get_by_role("region", name="Command").inner_text())
    assert words[:6] == ["makeweight", "change", "cap", NOTEBOOK, "--total", "450"]
    assert words[6:10] == ["--why", "it's 'counted'", "--by", "M. Byrne"]
    assert words[10] == "--state"
    expect(shown.get_by_role("button")).to_have_text(["Copy"])
    keep(page, f"changes-preview-{scheme}")
    usable(page)
    page.get_by_label("Why").fill("counted again")
    expect(shown).to_contain_text("The form has changed since")
    expect(shown.get_by_role("region", name="Command")).to_have_count(0)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_what_is_refused_keeps_the_form(scheme, opened, keep):
    """A field that is wrong is described by what is wrong and has the focus; so has what the campaign refuses."""
    page = settled(opened(PATH, scheme=scheme))
    page.get_by_role("button", name="Preview").click()
    expect(page.get_by_role("group", name="What is to become of it")).to_have_accessible_description(
        "Choose what is to become of the offer."
    )
    expect(page.get_by_role("radio", name="Pause it")).to_be_focused()
    at = page.get_by_label("Ends at")
    for time, how in (("2026-10-25T01:30", "happens twice"), ("2027-03-28T01:30", "does not exist")):
        asked(page, "End it", time)
        expect(at).to_have_accessible_description(re.compile(f"on the clock of {ZONE}.*{how}"))
        expect(at).to_be_focused()
        expect(at).to_have_attribute("aria-invalid", "true")
    asked(page, "End it", "2026-12-01T00:00")
    trouble = page.get_by_role("alert").filter(has_text="ends at Tue 1 Dec 2026 00:00 GMT already")
    expect(trouble).to_be_focused()
    assert [at.input_value(), at.get_attribute("aria-invalid")] == ["2026-12-01T00:00", None]
    expect(page.get_by_label("Why")).to_have_value("the bin is empty")
    expect(page.get_by_role("radio", name="End it")).to_be_checked()
    keep(page, f"changes-refused-{scheme}")
    usable(page)


def test_a_phone_shows_all_of_it(opened, keep):
    """Form and preview below each other, nothing wider than the screen."""
    page = settled(opened(PATH, width=400, height=900))
    asked(page, "End it", "2026-11-24T16:00")
    previewed(page)
    keep(page, "changes-late-400")
    assert page.evaluate("document.documentElement.scrollWidth") <= 400


def test_what_is_published_is_in_force(desk, opened, keep):
    """Asked once more in the page; then orders of later on are judged by it, and the offers say that it is paused."""
    shop, board = desk
    page = settled(opened(PATH, scheme="dark", address=board.address))
    asked(page, "Pause it")
    shown = previewed(page)
    expect(shown).to_contain_text("No order is known that was placed at")
    shown.get_by_role("button", name="Publish").press("Enter")
    expect(page.get_by_role("group", name=re.compile("^Publish winter-studio revision 2"))).to_contain_text("M. Byrne")
    keep(page, "changes-sure-dark")
    usable(page)
    shown.get_by_role("button", name="Not now").click()
    assert shop.service.reader.book().get("winter-studio", 2) is None
    shown.get_by_role("button", name="Publish").click()
    shown.get_by_role("button", name="Yes, publish it").click()
    text = "winter-studio revision 2 is published, in force from Tue 24 Nov 2026"
    done = page.get_by_role("status").filter(has_text=text)
    expect(done).to_be_focused()
    revision = page.get_by_role("row", name=re.compile("^Winter Studio"))
    expect(revision).to_have_text(re.compile("2Tue 24 Nov 2026 .*M. Byrnethe bin is empty"))
    expect(page.get_by_role("radio").first).to_have_accessible_name("Resume it")
    keep(page, "changes-published-dark")
    usable(page)
    in_force = shop.service.reader.book().get("winter-studio", 2).effective_at
    later = [event["data"]["order"] for event in shop.later if "placed_at" in event.get("data", {})
             and datetime.fromisoformat(event["data"]["placed_at"]) >= in_force]  # fmt: skip
    shop.go_on(len(shop.later))
    stories = [story for order in dict.fromkeys(later) if (story := shop.service.reader.explain(order))]
    of_notebook = [o for s in stories if s["judged_by"].get("winter-studio") == 2 for o in s["offers"]
                   if o["offer"] == NOTEBOOK]  # fmt: skip
    assert of_notebook
    assert "granted" not in {one["outcome"] for one in of_notebook}
    assert any(one["says"].startswith("The offer was paused") for one in of_notebook)
    offers = settled(opened("/", address=board.address))
    card = offers.locator("article", has=offers.get_by_role("heading", name="Notebook"))
    expect(card.get_by_text("Paused", exact=True)).to_be_visible(timeout=15_000)


def test_what_others_publish_meanwhile_is_not_undone(desk, opened):
    """A preview of a revision that has been followed by another can't be published; the form says so and stays."""
    shop, board = desk
    page = settled(opened("/changes?offer=ink-week/water-brush", address=board.address))
    asked(page, "Pause it")
    shown = previewed(page)
    with closing(Changes(Settings(state=shop.state), shop.clock)) as changes:
        first = Change("cap", "ink-week/water-brush", "A. Keane", "more came", caps={"total": 900})
        changes.publish(changes.preview(first))
    shown.get_by_role("button", name="Publish").click()
    shown.get_by_role("button", name="Yes, publish it").click()
    expect(page.get_by_role("alert").filter(has_text="has been published meanwhile")).to_be_focused()
    expect(page.get_by_label("Why")).to_have_value("the bin is empty")
    assert shop.service.reader.book().get("ink-week", 3) is None


def test_other_sites_may_not_drive_it(board, desk, browser):
    """A page of another origin gets no socket, no answer and no frame; one that borrows a name gets none either."""
    ours = desk[1].address
    page = browser.new_page()
    try:
        told = []
        for origin in (ours, board.address):
            page.goto(f"{origin}/health")
            told.append(page.evaluate(OPENS, f"{ours.replace('http', 'ws')}/{SOCKET}"))
        assert told == ["open", "refused"]
        assert "frame-ancestors 'none'" in page.request.get(ours).headers["content-security-policy"]
        post = {"origin": "http://elsewhere.example"}
        polling = f"{ours}/{SOCKET.replace('websocket', 'polling')}"
        assert page.request.post(polling, headers=post, data="40").status == 403
    finally:
        page.close()
    assert [asked_as("elsewhere.example", address) for address in (ours, board.address)] == [403, 200]


def test_it_is_not_open_to_all(tmp_path):
    """With changes, no token and an address that others reach, the board doesn't start, and says what to do."""
    for host in ("0.0.0.0", "::", "board.example"):  # noqa: S104 - it is refused
        done = run(tmp_path, "board", "--state", "state", "--changes", "--host", host)
        assert done.exit_code == USAGE
        assert "set MAKEWEIGHT_TOKEN, or listen on 127.0.0.1" in done.stderr
