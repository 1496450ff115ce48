"""Pick tickets in a real browser, on the screen and on the paper that it prints: a scanner reads them all."""

import pytest

from makeweight.adapters.documents import sheet_html
from makeweight.planning.sheet import sheet
from tests.support.screen import image
from tests.support.sheets import PAPERS, pages, printed, scanned, words


@pytest.fixture
def shown(browser):
    """Shows tickets as a page that is printed, in as many dots as a good screen has."""
    context = browser.new_context(viewport={"width": 900, "height": 1200}, device_scale_factor=2)

    def show(*names):
        page = context.new_page()
        page.set_content(sheet_html.page([sheet(PAPERS[name]) for name in names], ", ".join(names)))
        return page

    yield show
    context.close()


@pytest.mark.parametrize("name", PAPERS)
def test_a_scanner_reads_it_from_the_screen(name, shown):
    """zxing-cpp reads the ticket's id and each item back from a screenshot, no more and no fewer."""
    assert scanned([image(shown(name))]) == printed(PAPERS[name])


@pytest.mark.parametrize("name", PAPERS)
def test_a_scanner_reads_it_from_the_paper(name, shown):
    """The same from what the browser prints on A4."""
    assert scanned(pages(shown(name).pdf(prefer_css_page_size=True))) == printed(PAPERS[name])


def test_each_ticket_begins_on_a_page(shown):
    """Long tickets run over pages that all say which ticket they are of; the next one begins on a page of its own."""
    found = words(shown("many-lines", "held").pdf(prefer_css_page_size=True))
    assert len(found) > 3
    assert all("Goods of A-1/main/1" in text for text in found)
    assert ["DO NOT PICK" in text for text in found] == [False] * (len(found) - 1) + [True]


def test_cautions_and_gifts_need_no_colour(shown):
    """On a black-and-white printer: cautions have a border, a sign and bold words, gifts a word in a box."""
    page = shown("plain")
    page.emulate_media(media="print")
    box = page.get_by_role("list", name="Cautions")
    assert box.evaluate("e => getComputedStyle(e).borderTopWidth") != "0px"
    assert box.evaluate("e => getComputedStyle(e).fontWeight") == "700"
    assert box.locator("svg").count() == box.locator("li").count() == 2
    assert (
        page.locator("tbody").get_by_text("Gift", exact=True).first.evaluate("e => getComputedStyle(e).borderTopWidth")
        != "0px"
    )
    colours = page.evaluate(
        "[...new Set([...document.querySelectorAll('main *')].map(e => getComputedStyle(e).color))]"
    )
    assert colours == ["rgb(0, 0, 0)"]


def test_do_not_pick_is_the_largest(shown):
    """Nothing on the paper of a held ticket is larger than that it must not be picked."""
    page = shown("held")
    sizes = page.evaluate("[...document.querySelectorAll('main *')].map(e => parseFloat(getComputedStyle(e).fontSize))")
    largest = page.get_by_text("Do not pick").evaluate("e => parseFloat(getComputedStyle(e).fontSize)")
    assert max(sizes) == largest
