"""Pick tickets on paper: what is on the sheet, the PDF read back by another program and by a scanner, the command."""

import json

import pypdfium2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from makeweight.adapters.documents import fonts, sheet_html, sheet_pdf, symbols
from makeweight.cli.console import REFUSED, UNAVAILABLE, USAGE
from makeweight.contracts.events import FULFILMENT_TYPE
from makeweight.domain.values import replaced
from makeweight.planning.sheet import sheet, totals
from tests.integration.test_cli import published, run, taken
from tests.integration.test_http import ADDRESS, CAMPAIGN, CUSTOMER, event, fact, order
from tests.support.sheets import BAG, LONG, PAPERS, TIN, pages, printed, scanned, ticket, words

STOCK = "gift,site,units\nTIN,main,9\n"


def pdf_of(one, floor="open"):
    """A ticket's PDF."""
    return sheet_pdf.document([sheet(one, floor)], one.ticket)


# --- what is on the sheet -------------------------------------------------------------------------------------------


def test_what_is_told_of_a_gift():
    """Gifts say what they are, what earned them, and what their packer must know."""
    tin, bag = sheet(ticket()).gifts
    assert tin.cautions == ["dangerous goods class 3, ground only", "contains milk"]
    assert tin.earned_by == "earned by lines 1, 2; charged 0, worth 6.00 EUR each"
    assert (tin.scanned, bag.scanned) == (TIN.gtin, "BAG-Ä")
    assert (tin.substitute, bag.substitute) == (False, True)


def test_cautions_stand_without_notes():
    """A ticket from before there were notes has its cautions all the same."""
    answered = replaced(TIN, notes=[], cautions=replaced(TIN.cautions, allergens=["milk"]))
    assert sheet(ticket(gift_lines=[answered])).gifts[0].cautions == ["contains milk"]


@pytest.mark.parametrize(
    ("members", "floor", "weight", "part"),
    [
        ({}, "open", "go", ""),
        ({"state": "held", "hold": "payment review"}, "open", "stop", "payment review"),
        ({"state": "held"}, "open", "stop", "not settled yet"),
        ({"state": "void"}, "open", "stop", "nothing of this ticket"),
        ({"state": "void"}, "packed", "stop", "nothing of this ticket"),
        ({"state": "gift_to_follow"}, "open", "heed", "a gift comes later"),
        ({"take_off": PAPERS["take-off"].take_off}, "released", "heed", "has changed"),
        ({}, "released", "heed", "Pick one of them only"),
        ({}, "packed", "stop", "Packed already"),
    ],
)
def test_what_a_picker_is_told_to_do(members, floor, weight, part):
    """Whoever holds a paper that must not be picked is told so first, and why; none is picked twice."""
    banner = sheet(ticket(**members), floor).banner
    assert banner.weight == weight
    assert part in banner.why


def test_what_is_taken_off_is_named():
    """What is to be put back is named as it was printed."""
    assert sheet(PAPERS["take-off"]).take_off == ["1 x Tin of pencils (gift of week/tin)", "2 x SKU-1 (line 1)"]


def test_gifts_of_several_sheets_add_up():
    """Whoever fetches the gifts of a wave gets one list; what is not to be picked isn't on it."""
    found = totals([sheet(PAPERS["plain"]), sheet(PAPERS["held"]), sheet(PAPERS["follows"])])
    assert found == [("BAG-Ä", BAG.title, 4), ("TIN", TIN.title, 2)]


# --- the PDF --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PAPERS)
def test_a_scanner_reads_every_barcode(name):
    """zxing-cpp reads the ticket's id and each item back from the printed page, no more and no fewer."""
    assert scanned(pages(pdf_of(PAPERS[name]))) == printed(PAPERS[name])


def test_a_long_ticket_runs_over_pages():
    """Each page says which ticket it is of and how many there are; each ticket of a document begins on its own."""
    found = words(sheet_pdf.document([sheet(PAPERS["many-lines"]), sheet(PAPERS["plain"])], "two"))
    count = len(found) - 1
    assert count > 2
    assert [f"page {n} of {count}" in text for n, text in enumerate(found[:-1], 1)] == [True] * count
    assert "page 1 of 1" in found[-1]
    assert all("Goods of A-1/main/1" in text for text in found[:-1])


def test_what_no_font_has_is_told():
    """Characters that can't be drawn are told by their code points; nothing of a title vanishes."""
    (text,) = words(pdf_of(ticket(gift_lines=[BAG])))
    fonts.register()
    for character in "茶שקית":
        assert f"[U+{ord(character):04X}]" in text.replace(" ", "")
    assert "stand for characters" in text
    assert "stand for characters" not in words(pdf_of(ticket(gift_lines=[TIN])))[0]


@pytest.mark.parametrize("name", ["held", "void"])
def test_do_not_pick_is_large(name):
    """What must not be picked says so in the largest letters of the page."""
    page = pypdfium2.PdfDocument(pdf_of(PAPERS[name]))[0]
    sizes = {
        one.extract().strip(): one.get_font_size()
        for one in page.get_objects([pypdfium2.raw.FPDF_PAGEOBJ_TEXT], textpage=page.get_textpage())
    }
    assert max(sizes, key=sizes.get) == "DO NOT PICK"


def test_the_customer_is_not_on_the_paper():
    """What a shop's back end says of the customer is carried on the ticket, and on no paper."""
    one = sheet(ticket())
    for text in (*words(pdf_of(ticket())), sheet_html.page([one], "x")):
        assert "Nobody" not in text
        assert "Nowhere" not in text


@settings(max_examples=25)
@given(text=st.text(min_size=1, max_size=120), title=st.text(max_size=200))
def test_any_text_can_be_printed(text, title):
    """Whatever names a shop uses, the paper comes out: a title of a thousand words, markup, control characters."""
    odd = replaced(BAG, gift=text, title=title, notes=[title, text])
    one = ticket(ticket=f"{text}/x/1", site=text, gift_lines=[odd], hold=title, state="held")
    assert pdf_of(one).startswith(b"%PDF")
    assert "<script" not in sheet_html.page([sheet(one)], text).casefold()


@given(st.text(min_size=1, max_size=90))
def test_any_text_is_a_symbol(text):
    """Any text has a barcode, as wide as it says, with white around it."""
    drawn = symbols.symbol(text)
    assert min(r.x for r in drawn.black) >= min(symbols.QUIET_BARS, symbols.QUIET_QR)
    assert max(r.x + r.width for r in drawn.black) <= drawn.width - symbols.QUIET_QR


def test_a_symbol_of_nothing():
    """No barcode says nothing, and Code 128 isn't for all."""
    with pytest.raises(ValueError, match="barcode of nothing"):
        symbols.symbol("")
    with pytest.raises(ValueError, match="use QR"):
        symbols.bars(LONG)
    with pytest.raises(ValueError, match="no ticket to print"):
        sheet_pdf.document([], "none")


# --- the command ----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A folder whose service has an order packed, one released and one open."""
    folder = tmp_path_factory.mktemp("shop")
    (folder / "week.yaml").write_text(CAMPAIGN)
    (folder / "stock.csv").write_text(STOCK)
    state = published(folder)
    facts = [fact(1, "O1/main/1"), fact(2, "O2/main/1", "released")]
    events = [order(1), order(2), order(3), *(event(one, id=one["event"], type=FULFILMENT_TYPE) for one in facts)]
    (folder / "day.jsonl").write_text("".join(json.dumps(one) + "\n" for one in events))
    assert taken(state, folder / "day.jsonl") == {"applied": len(events)}
    return folder


@pytest.mark.parametrize(
    ("number", "says", "err"), [(1, "DO NOT PICK", "Packed already"), (2, "On the floor already", ""), (3, "Pick", "")]
)
def test_the_command(number, says, err, shop):
    """A ticket as it stands now, in both forms, each with its barcodes; nothing of the customer."""
    name = f"O{number}/main/1"
    done = run(shop, "ticket", name, "--state", "state", "--pdf", "out.pdf", "--html", "out.html")
    assert (done.exit_code, done.stdout) == (0, "")
    assert err in done.stderr
    body, html = (shop / "out.pdf").read_bytes(), (shop / "out.html").read_text("utf-8")
    assert scanned(pages(body)).keys() == {name, "TIN", "S"}
    assert says in words(body)[0]
    assert says.casefold() in html.casefold()
    for private in (ADDRESS, CUSTOMER):
        assert private not in words(body)[0] + html


@pytest.mark.parametrize(
    ("arguments", "code", "part"),
    [
        (["O1/main/1", "--state", "state"], USAGE, "say where to"),
        (["O1/main/7", "--state", "state", "--pdf", "x.pdf"], REFUSED, "it has O1/main/1"),
        (["O9/main/1", "--state", "state", "--pdf", "x.pdf"], REFUSED, "never seen"),
        (["O1/main/1", "--state", "state", "--pdf", "no/such/x.pdf"], USAGE, "can't be written"),
        (["O1/main/1", "--state", "nowhere", "--pdf", "x.pdf"], UNAVAILABLE, "nowhere"),
    ],
)
def test_what_the_command_refuses(arguments, code, part, shop):
    """Exit codes as everywhere, the reason on stderr, and no file."""
    done = run(shop, "ticket", *arguments)
    assert (done.exit_code, done.stdout) == (code, "")
    assert part in done.stderr
    assert not (shop / "x.pdf").exists()
