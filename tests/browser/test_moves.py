"""Moving stock in a real browser: told as the command line tells it, handed to the ledger where that is allowed."""

import re
import shlex
import sqlite3
import time
from contextlib import closing

import pytest
from playwright.sync_api import expect

from makeweight.adapters.board import words
from makeweight.adapters.local.database import FILE_NAME
from makeweight.bootstrap import hand_to_ledger
from makeweight.bootstrap.changing import Changes
from makeweight.domain.claims import Count, Transfer
from makeweight.domain.entries import Booked
from makeweight.planning.moving import StockMove, left, served
from makeweight.planning.previewing import figures
from makeweight.settings import Settings
from tests.browser.test_board import settled
from tests.browser.test_changes import previewed, usable
from tests.integration.test_cli import run
from tests.support.board import Board, evening

APRON, ROLL, NOTEBOOK = "winter-studio/apron", "winter-studio/brush-roll", "winter-studio/notebook"
SAID = ("M. Byrne", "rolls ran out")


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """A smaller evening, where rolls lie with the aprons while an order waits for one; changes may be made."""
    shop = evening(tmp_path_factory.mktemp("moves"), orders=250)
    told(shop, Count("found", APRON, "BRUSH-ROLL", "main", 5, shop.clock(), "M. Byrne", "found"))
    board = Board(shop.state, "--at", "newest", "--changes")
    yield shop, board
    log = board.close()
    shop.service.close()
    assert not re.search(r"Traceback|error|Warning", log), log


def told(shop, command):
    """What someone says of stock, taken up at once."""
    hand_to_ledger(Settings(state=shop.state), command, shop.clock)
    shop.service.take_up()


def asked(page, units, offer="", site="", by=SAID[0], why=SAID[1]):
    """Fill in the form and ask for the preview, by the keyboard where a person would."""
    radio = page.get_by_role("radio", name="Move its stock")
    radio.focus()
    radio.press("Space")
    page.get_by_label("How many").fill(units)
    page.get_by_label("To the offer").select_option(label=offer or "The same offer")
    page.get_by_label("To the site").select_option(label=site or "The same site")
    page.get_by_label("Why").fill(why)
    page.get_by_label("Who answers for it").fill(by)
    page.get_by_label("Who answers for it").press("Enter")


def stands(shop, offer, gift, site="main"):
    """Free and reserved units at a place."""
    found = [b for level in shop.service.reader.levels() for b in level.balances
             if (b.offer, b.gift, b.site) == (offer, gift, site)]  # fmt: skip
    return [(b.free, b.reserved) for b in found]


def taken_up(shop):
    """The service takes up what the board hands it, once that is there."""
    for _ in range(100):
        if shop.service.reader.pending():
            shop.service.take_up()
            return
        time.sleep(0.05)
    raise AssertionError("nothing was handed to the ledger")


def handed(shop, count):
    """Wait until so many inputs wait for the service."""
    query = (
        "SELECT count(*) FROM inbox WHERE position > (SELECT CAST(body AS INTEGER) FROM meta WHERE name = 'handled')"
    )
    for _ in range(100):
        with closing(sqlite3.connect(shop.state / FILE_NAME)) as connection:
            if connection.execute(query).fetchone() == (count,):
                return
        time.sleep(0.05)
    raise AssertionError(f"{count} inputs were not handed over")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_move_is_told_as_the_command_line_tells_it(scheme, shop, opened, keep, tmp_path):
    """Figures and sentences are those of `Changes`; nothing is done, and the command that is named tells the same."""
    page = settled(opened(f"/changes?offer={NOTEBOOK}", scheme=scheme))
    asked(page, "20", site="annex")
    shown = previewed(page)
    expect(shown.get_by_role("heading")).to_have_text("20 of NOTEBOOK-A5 for Notebook, from main to annex")
    with closing(Changes(Settings(state=shop.state), shop.clock)) as changes:
        preview = changes.preview_move(StockMove(NOTEBOOK, "NOTEBOOK-A5", "main", 20, NOTEBOOK, "annex", *SAID))
    lines = [line[:1].upper() + line[1:] for line in left(preview, words.name)]
    assert len(lines) == 2
    expect(shown.locator("li")).to_have_text([*lines, "No order would be served by it now"])
    (one,) = preview.difference.offers
    cells = [re.sub(r"\s+becomes\s+|\s*→\s*(becomes)?\s*", " → ", text.strip())
             for text in shown.locator("tbody td").all_inner_texts()]  # fmt: skip
    assert cells == [f"{was:,} → {now:,}" if was != now else f"{was:,}" for was, now in figures(one.before, one.after)]
    line = shlex.split(shown.get_by_role("region", name="Command").inner_text())
    done = run(tmp_path, *line[1:], "--preview", COLUMNS="160")
    assert (done.exit_code, done.stdout.splitlines()[-3:]) == (0, [*left(preview), "nothing is done"]), done.stderr
    expect(shown.get_by_role("button")).to_have_text(["Copy"])
    keep(page, f"moves-preview-{scheme}")
    usable(page)
    page.get_by_label("How many").fill("21")
    expect(shown).to_contain_text("The form has changed since")
    assert not shop.service.reader.pending()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_what_cannot_be_moved_keeps_the_form(scheme, desk, opened, keep):
    """Each field says what is wrong with it and has the focus; more than is free is refused by the books."""
    shop, board = desk
    page = settled(opened(f"/changes?offer={NOTEBOOK}", scheme=scheme, address=board.address))
    field = page.get_by_label
    for units, how, name, text in (
        ("0", {"site": "annex"}, "How many", "'0' is no number of units: write one such as 20."),
        ("two", {"site": "annex"}, "How many", "'two' is no number of units"),
        ("2", {}, "To the offer", "That is where they are: name another offer, another site, or both."),
        ("2", {"site": "annex", "why": ""}, "Why", "Say why"),
        ("2", {"site": "annex", "by": " "}, "Who answers for it", "Say who answers for it."),
    ):
        asked(page, units, **how)
        expect(field(name)).to_have_accessible_description(re.compile(re.escape(text)))
        expect(field(name)).to_be_focused()
        expect(field(name)).to_have_attribute("aria-invalid", "true")
    free = stands(shop, NOTEBOOK, "NOTEBOOK-A5")[0][0]
    asked(page, "9,000", site="annex")
    text = f"{free} of NOTEBOOK-A5 are free for Notebook at main, and 9,000 are asked for."
    expect(page.get_by_role("alert").filter(has_text=text)).to_be_focused()
    expect(field("How many")).to_have_value("9,000")
    expect(field("Counts from")).to_be_hidden()
    keep(page, f"moves-refused-{scheme}")
    usable(page)
    assert not shop.service.reader.pending()


def test_a_phone_shows_all_of_it(desk, opened, keep):
    """Form and preview below each other, nothing wider than the screen."""
    page = settled(opened(f"/changes?offer={NOTEBOOK}", width=400, height=900, address=desk[1].address))
    asked(page, "2", site="annex")
    previewed(page).get_by_role("button", name="Move").click()
    expect(page.get_by_role("group", name=re.compile("^Move "))).to_be_visible()
    keep(page, "moves-sure-400")
    assert page.evaluate("document.documentElement.scrollWidth") <= 400


def test_what_is_moved_serves_who_is_owed(desk, opened, keep):
    """Asked once more in the page; then the ledger has it from whom it says, and the order that waited is served."""
    shop, board = desk
    page = settled(opened(f"/changes?offer={APRON}", scheme="dark", address=board.address))
    asked(page, "3", "Brush roll")
    shown = previewed(page)
    with closing(Changes(Settings(state=shop.state), shop.clock)) as changes:
        preview = changes.preview_move(StockMove(APRON, "BRUSH-ROLL", "main", 3, ROLL, "main", *SAID))
    (order,) = {one.order for one in preview.difference.orders}
    lines = [*left(preview, words.name), *served(preview, words.name)]
    expect(shown.locator("li")).to_have_text([line[:1].upper() + line[1:] for line in lines])
    assert lines[-1] == f"served by it: {order} of Brush roll"
    shown.get_by_role("button", name="Move").press("Enter")
    sure = page.get_by_role("group", name=re.compile("^Move "))
    expect(sure).to_contain_text("Move 3 of BRUSH-ROLL at main, from Apron to Brush roll? M. Byrne: rolls")
    keep(page, "moves-sure-dark")
    usable(page)
    shown.get_by_role("button", name="Not now").click()
    assert not shop.service.reader.pending()
    shown.get_by_role("button", name="Move").click()
    shown.get_by_role("button", name="Yes, move them").press("Enter")
    taken_up(shop)
    expect(
        page.get_by_role("status").filter(has_text="Moved: 3 of BRUSH-ROLL at main, from Apron to Brush roll.")
    ).to_be_focused()
    assert stands(shop, APRON, "BRUSH-ROLL") == [(2, 0)]
    assert stands(shop, ROLL, "BRUSH-ROLL") == [(2, 1)]
    log = [entry for _, entry in shop.service.reader.ledger_entries_after(0, 10**6)]
    (sent,) = [e.command for e in log if isinstance(e, Booked) and isinstance(e.command, Transfer)]
    assert (sent.units, sent.to_offer, sent.by, sent.why) == (3, ROLL, *SAID)
    expect(page.get_by_label("What, from where").locator("option")).to_have_text(
        ["2 free at main: Canvas brush roll (BRUSH-ROLL)"]
    )
    keep(page, "moves-done-dark")
    usable(page)


def test_what_was_taken_meanwhile_is_not_moved(desk, opened):
    """Rolls that were previewed and then found missing can't be moved any more: it says so, and the form stays."""
    shop, board = desk
    told(shop, Count("again", APRON, "BRUSH-ROLL", "main", 4, shop.clock(), "A. Keane", "counted"))
    page = settled(opened(f"/changes?offer={APRON}", address=board.address))
    asked(page, "4", "Brush roll")
    shown = previewed(page)
    told(shop, Count("once more", APRON, "BRUSH-ROLL", "main", 1, shop.clock(), "A. Keane", "counted"))
    shown.get_by_role("button", name="Move").click()
    shown.get_by_role("button", name="Yes, move them").click()
    expect(page.get_by_role("alert").filter(has_text="1 of BRUSH-ROLL are free for Apron at main")).to_be_focused()
    expect(page.get_by_label("How many")).to_have_value("4")
    assert not shop.service.reader.pending()
    assert stands(shop, APRON, "BRUSH-ROLL") == [(1, 0)]


def test_what_goes_to_another_site_is_free_once_it_is_there(desk, opened, keep, tmp_path):
    """The page names the command that says so; with no service running it says that nothing is carried out yet."""
    shop, board = desk
    page = settled(opened(f"/changes?offer={NOTEBOOK}", width=400, height=900, address=board.address))
    ((before, _),) = stands(shop, NOTEBOOK, "NOTEBOOK-A5", "annex")
    asked(page, "2", site="annex")
    previewed(page).get_by_role("button", name="Move").click()
    page.get_by_role("button", name="Yes, move them").click()
    done = page.get_by_role("status").filter(has_text="which has not carried it out yet")
    expect(done).to_be_focused(timeout=15_000)
    keep(page, "moves-handed-400")
    assert page.evaluate("document.documentElement.scrollWidth") <= 400
    usable(page)
    shop.service.take_up()
    assert stands(shop, NOTEBOOK, "NOTEBOOK-A5", "annex")[0][0] == before
    line = shlex.split(done.locator("code").inner_text())
    assert run(tmp_path, *line[1:]).exit_code == 0
    shop.service.take_up()
    assert stands(shop, NOTEBOOK, "NOTEBOOK-A5", "annex")[0][0] == before + 2


def test_what_the_ledger_refuses_says_why(desk, opened, keep):
    """Someone's count was on its way to the ledger before the move: too few are left by then, and the page says so."""
    shop, board = desk
    ((free, _),) = stands(shop, NOTEBOOK, "NOTEBOOK-A5")
    page = settled(opened(f"/changes?offer={NOTEBOOK}", address=board.address))
    asked(page, str(free), site="annex")
    shown = previewed(page)
    counted = Count("late count", NOTEBOOK, "NOTEBOOK-A5", "main", 1, shop.clock(), "A. Keane", "counted")
    hand_to_ledger(Settings(state=shop.state), counted, shop.clock)
    shown.get_by_role("button", name="Move").click()
    shown.get_by_role("button", name="Yes, move them").click()
    handed(shop, 2)
    shop.service.take_up()
    text = "Not moved: .* The ledger put it aside, not enough: Fewer units are free"
    expect(page.get_by_role("alert").filter(has_text=re.compile(text))).to_be_focused()
    expect(page.get_by_text("Once they are there")).to_have_count(0)
    keep(page, "moves-put-aside")
    usable(page)
