"""The board in a real browser: what it shows, that it goes on by itself, that everybody can use it."""

import re
import sqlite3
from collections import Counter
from contextlib import closing

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from makeweight.adapters.local.database import FILE_NAME
from tests.support.board import Board
from tests.support.screen import image
from tests.support.sheets import scanned

PAGES = {
    "offers": "/",
    "exceptions": "/exceptions",
    "exceptions-late": "/exceptions?kind=late_arrival",
    "orders": "/orders",
    "order": "/orders?q=ART-FOUR",
    "order-unknown": "/orders?q=ART-1",
    "order-put-aside": "/orders?q=ART-100500",
    "tickets": "/tickets",
    "tickets-floor": "/tickets?standing=on_floor",
    "changes": "/changes",
    "changes-offer": "/changes?offer=winter-studio/notebook",
    "print": "/print?ticket=ART-FOUR/main/1",
}
SESAME = "open sesame"
WCAG = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


def settled(page):
    """Wait until the page shows what it is about."""
    if "/print" not in page.url:
        expect(page.get_by_text("Orders known up to")).to_be_visible()
    if "/changes" in page.url:
        expect(page.get_by_role("table", name="Latest revisions")).to_be_visible()
    return page


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", PAGES)
def test_everybody_can_use_it(name, scheme, opened, keep):
    """WCAG 2.2 AA as far as axe can tell, on each page in both themes; each has a language, a title and one heading."""
    page = settled(opened(PAGES[name], scheme=scheme))
    keep(page, f"{name}-{scheme}")
    found = Axe().run(page, options=WCAG)
    assert found.violations_count == 0, found.generate_report()
    assert page.locator("html").get_attribute("lang").startswith("en")
    assert page.title()
    assert page.locator("h1").count() == 1
    assert page.locator("main").count() == 1
    dark = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (sum(map(int, re.findall(r"\d+", dark)[:3])) < 200) == (scheme == "dark" and name != "print")


@pytest.mark.parametrize("width", [400, 1920])
@pytest.mark.parametrize("name", PAGES)
def test_it_fits(name, width, opened, keep):
    """On a phone and on a wall nothing is wider than the screen: no page scrolls sideways."""
    page = settled(opened(PAGES[name], width=width, height=900))
    keep(page, f"{name}-{width}")
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def figure(page, offer, name):
    """A figure of an offer's card."""
    card = page.locator("article", has=page.get_by_role("heading", name=offer))
    return card.locator("dl > div", has_text=re.compile(f"^{name}"))


def test_the_offers(shop, opened):
    """What is out says so with a word and a sign, a run-out is a band with a sentence, rates have intervals."""
    page = settled(opened("/"))
    apron = page.locator("article", has=page.get_by_role("heading", name="Apron"))
    expect(apron.get_by_text("Used up")).to_be_visible()
    level = next(one for one in shop.service.reader.levels() if one.offer == "winter-studio/notebook")
    notebook = page.locator("article", has=page.get_by_role("heading", name="Notebook"))
    left = sum(balance.free for balance in level.balances)
    expect(figure(page, "Notebook", "Left to give").locator("dd")).to_have_text(re.compile(rf"^{left}\D"))
    expect(notebook.get_by_role("img", name=re.compile("^Run-out: "))).to_be_visible()
    expect(notebook.get_by_role("img", name=re.compile("^Units asked for by hour"))).to_be_visible()
    row = notebook.get_by_role("row", name=re.compile("^Qualified"))
    expect(row).to_have_text(re.compile(r"\d+\.\d %\d+\.\d to \d+\.\d\d+ of \d+"))
    expect(page.get_by_role("region", name="Signals")).to_contain_text("Still announced.")


def test_it_goes_on_by_itself(shop, opened):
    """An order that is sent is seen on an open page without loading it again, and not on one that is held still."""
    page, still = settled(opened("/")), settled(opened("/"))
    given, held = (figure(one, "Notebook", "Given") for one in (page, still))
    before = given.text_content()
    still.get_by_role("button", name="Hold still").click()
    expect(still.get_by_text("Held still.")).to_have_count(0)  # it is said by a style, and by the button
    expect(still.get_by_role("button", name="Go on")).to_have_attribute("aria-pressed", "true")
    shop.go_on(60)
    expect(given).not_to_have_text(before, timeout=15_000)
    assert held.text_content() == before
    still.get_by_role("button", name="Go on").click()
    expect(held).to_have_text(given.text_content())


def test_focus_stays_where_it_is(shop, opened):
    """Whoever is on a link keeps it while rows come in around it."""
    page = settled(opened("/exceptions"))
    link = page.locator("tbody a").nth(3)
    link.focus()
    name, rows = link.inner_text(), page.locator("tbody tr").count()
    counted = page.locator(".kinds .count").first
    before = counted.inner_text()
    shop.go_on(80)
    expect(counted).not_to_have_text(before, timeout=15_000)
    assert page.locator("tbody tr").count() >= rows
    assert page.evaluate("document.activeElement.innerText") == name


def test_by_keyboard(opened):
    """Tab goes from the skip link through the navigation to the controls, each with a visible focus; Enter follows."""
    page = settled(opened("/"))
    seen = []
    for _ in range(8):
        page.keyboard.press("Tab")
        name, outline = page.evaluate(
            "[document.activeElement.innerText, getComputedStyle(document.activeElement).outlineWidth]"
        )
        seen.append(name)
        assert outline != "0px", f"no visible focus on {name}"
    assert seen == [
        "Skip to the content", "Offers", "Exceptions", "Orders", "Tickets", "Changes",
        "Hold still", "Theme: as the system",
    ]  # fmt: skip
    page.reload()
    settled(page)
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "content"
    page.goto(page.url.partition("#")[0])
    settled(page)
    for _ in range(4):
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_url("**/orders")
    expect(page.get_by_role("link", name="Orders")).to_have_attribute("aria-current", "page")


def test_the_theme_is_kept(opened):
    """A theme that was chosen stays on the next page, whatever the system's is."""
    page = settled(opened("/", scheme="light"))
    for name in ("Theme: light", "Theme: dark"):
        page.get_by_role("button", name="Theme").click()
        expect(page.get_by_role("button", name=name)).to_be_visible()
    page.get_by_role("link", name="Tickets").click()
    settled(page)
    expect(page.get_by_role("button", name="Theme: dark")).to_be_visible()
    assert "body--dark" in page.locator("body").get_attribute("class")


def test_an_order_is_found(opened):
    """By its id or its ticket's, with the story that `explain` tells; one never seen names those that are like it."""
    page = settled(opened("/orders"))
    page.get_by_label("Order or ticket").fill("ART-FOUR/main/1")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Order ART-FOUR")
    expect(page.get_by_role("row", name=re.compile("^Notebook"))).to_contain_text("Given: 1 x NOTEBOOK-A5")
    expect(page.get_by_text("warehouse: ticket ART-FOUR/main/1 packed")).to_be_visible()
    page.goto(page.url.partition("?")[0] + "?q=ART-10000")
    expect(page.get_by_text("was never seen here")).to_be_visible()
    page.get_by_role("link", name="ART-100001").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Order ART-100001")


def test_what_was_put_aside(shop, opened):
    """A signal names the order that waits, the desk lists what could not be processed and why, the order tells it."""
    (one,) = [one for one in shop.service.reader.rejects(10) if one.key == "ART-100500"]
    page = settled(opened("/"))
    signal = page.get_by_role("region", name="Signals").get_by_text("Orders put aside.")
    expect(signal.locator("xpath=..")).to_contain_text(
        f"put aside, and was never taken in; it is ART-100500: {one.why}"
    )
    page.get_by_role("link", name="Exceptions").click()
    page.get_by_role("link", name="2 inputs put aside").click()
    expect(page.get_by_role("heading", name="Put aside")).to_be_in_viewport()
    table = page.get_by_role("table", name="Put aside")
    expect(table.get_by_role("row")).to_have_count(1 + len(shop.service.reader.rejects(100)))
    row = table.get_by_role("row", name=re.compile("ART-100500"))
    expect(row).to_contain_text(one.why)
    page.get_by_role("link", name=re.compile("Owed")).click()
    expect(page.get_by_role("heading", name="Put aside")).to_be_hidden()
    page.go_back()
    row.get_by_role("link").click()
    expect(page.get_by_text("was never taken in here")).to_be_visible()
    expect(page.get_by_role("listitem").filter(has_text=one.why)).to_be_visible()


def test_a_desk_row_leads_to_its_order(opened):
    """From an exception to the order that it is about."""
    page = settled(opened("/exceptions?kind=price_mismatch"))
    expect(page.locator("h1")).to_have_text("Exceptions: price mismatch")
    link = page.locator("tbody a").first
    order = link.inner_text()
    link.click()
    expect(page.locator("h1")).to_have_text(f"Order {order}")
    expect(page.get_by_text("Price mismatch", exact=True)).to_be_visible()


def test_a_wave_is_printed(opened, keep):
    """Tickets are selected and printed together; a scanner reads each from the screen, and the PDF has them too."""
    page = settled(opened("/tickets", device_scale_factor=2))
    boxes = page.get_by_role("checkbox")
    names = [boxes.nth(n).get_attribute("value") for n in range(boxes.count())]
    for number in range(2, len(names)):
        boxes.nth(number).uncheck()
    with page.expect_navigation():
        page.get_by_role("button", name="Print selected").click()
    expect(page.get_by_role("article")).to_have_count(2)
    keep(page, "print-two")
    page.emulate_media(media="print")
    assert set(names[:2]) <= scanned([image(page)]).keys()
    assert not page.get_by_role("navigation").is_visible()
    page.emulate_media(media="screen")
    body = page.request.get(page.url.replace("/print?", "/print.pdf?"))
    assert body.headers["content-type"] == "application/pdf"
    assert body.body().startswith(b"%PDF")
    for path, code, part in (
        ("/print", 400, "No ticket is selected"),
        ("/print?ticket=ART-FOUR/main/9", 404, "has no ticket"),
        ("/print.pdf?" + "&".join(f"ticket={n}" for n in range(201)), 400, "too many"),
    ):
        answer = page.request.get(page.url.partition("/print")[0] + path)
        assert (answer.status, part in answer.text()) == (code, True)


def test_what_is_packed_is_not_printed_to_be_picked(opened):
    """The paper of a ticket that is gone says so, larger than anything."""
    page = opened("/print?ticket=ART-FOUR/main/1")
    expect(page.get_by_text("Do not pick")).to_be_visible()
    expect(page.get_by_text("Packed already")).to_be_visible()


def test_a_token_is_asked_for(shop, opened, keep):
    """With a token nothing is shown to who doesn't have it, on any kind of request; who has it is asked once."""
    guarded = Board(shop.state, "--at", "newest", MAKEWEIGHT_TOKEN=SESAME)
    try:
        page = opened("", address="about:blank")
        for path in (
            "/",
            "/print?ticket=ART-FOUR/main/1",
            "/board.css",
            "/_nicegui_ws/socket.io/?EIO=4&transport=polling",
        ):
            assert page.request.get(guarded.address + path).status == 401
        bearer = {"authorization": f"Bearer {SESAME}"}
        assert page.request.get(guarded.address + "/", headers=bearer).status == 200
        assert page.request.get(guarded.address + "/", headers={"authorization": "Bearer wrong"}).status == 401
        stranger = opened("/tickets", address=guarded.address, refused=True)
        keep(stranger, "token")
        assert Axe().run(stranger, options=WCAG).violations_count == 0
        stranger.get_by_label("Token").fill("wrong")
        stranger.keyboard.press("Enter")
        expect(stranger.get_by_role("alert")).to_have_text("That is not the token.")
        stranger.get_by_label("Token").fill(SESAME)
        stranger.keyboard.press("Enter")
        settled(stranger)
    finally:
        guarded.close()


def test_pages_never_write(shop, opened):
    """Nothing that a page does changes the database: SQLite counts no commit but the service's own."""
    with closing(sqlite3.connect(shop.state / FILE_NAME)) as connection:
        version = connection.execute("PRAGMA data_version").fetchone()
        for path in PAGES.values():
            settled(opened(path))
        assert connection.execute("PRAGMA data_version").fetchone() == version


def test_it_tells_prometheus_what_it_shows(board, opened):
    """The numbers of the pages as OpenMetrics, and how many pages are open; health says that it can read."""
    page = settled(opened("/"))
    left = figure(page, "Notebook", "Left to give").locator("dd").text_content()
    body = page.request.get(f"{board.address}/metrics").text()
    found = Counter()
    for family in text_string_to_metric_families(body):
        for sample in family.samples:
            found[sample.name, sample.labels.get("offer")] += sample.value
    assert left.startswith(f"{found['makeweight_units_left', 'winter-studio/notebook']:.0f}of")
    assert found["makeweight_board_open_pages", None] >= 1
    assert found["makeweight_signal", "winter-studio/apron"] == 1
    health = page.request.get(f"{board.address}/health")
    assert (health.status, health.text()) == (200, "ok")
