"""Pick tickets as a printer meets them, and what a scanner reads of their paper."""

from collections import Counter

import pypdfium2
import zxingcpp

from makeweight.domain.campaigns import Customs
from makeweight.domain.customs import CustomsLine
from makeweight.domain.orders import Destination, HandledLine
from makeweight.domain.tickets import GiftLine, PickTicket
from makeweight.domain.values import replaced
from tests.support.build import line, order

DPI = 300  # what an office printer does
GTIN = "9521234567899"
TIN = GiftLine(
    offer="week/tin",
    campaign_revision=1,
    gift="TIN",
    title="Tin of pencils",
    units=1,
    stated_value=600,
    triggered_by=[1, 2],
    gtin=GTIN,
    customs=Customs("9609.10", "IE"),
    notes=["dangerous goods class 3, ground only", "contains milk"],
    customs_line=CustomsLine("Tin of pencils", "9609.10", "IE", 1, 600),
)
BAG = replaced(
    TIN, offer="week/bag", gift="BAG-Ä", title="茶 bag, שקית", units=2, gtin=None, substitute=True, notes=[],
    customs=None, customs_line=None, triggered_by=[],
)  # fmt: skip
LONG = "-".join(["ORDER", *["LONG"] * 22])  # 115 characters; an order's id has 120 at most


def ticket(goods=2, **members):
    """A ticket with goods and two gifts, to a customs border."""
    lines = order(line(30_00, 2, gtin=GTIN, hs_code="3304.99", brand="Inkmoor"), *[line(20_00)] * (goods - 1)).lines
    defaults = {
        "ticket": "A-1/main/1",
        "order": "A-1",
        "order_revision": 2,
        "edition": 3,
        "state": "final",
        "site": "main",
        "currency": "EUR",
        "destination": Destination("NO", "Oslo"),
        "service": "standard",
        "lines": lines,
        "gift_lines": [TIN, BAG],
        "benefits": ["free_shipping"],
        "told": [],
        "order_parts": {"ship_to": {"name": "Somebody Nobody", "street": "1 Nowhere Lane"}},
        "tariff_categories": 2,
    }
    return PickTicket(**{**defaults, **members})


# Every kind of paper there is: one by one in the tests, all of them in one document.
PAPERS = {
    "plain": ticket(),
    "held": ticket(state="held", hold="payment review"),
    "void": ticket(state="void", lines=[], gift_lines=[]),
    "follows": ticket(state="gift_to_follow"),
    "take-off": ticket(take_off=[HandledLine(1, offer="week/tin"), HandledLine(2, line=1)]),
    "long-id": ticket(ticket=f"{LONG}/main/1", order=LONG),
    "many-lines": ticket(60),
    "other-script": ticket(ticket="注文-1/東京/1", site="東京", order="注文-1"),
}


def printed(ticket):
    """What has to be readable on a ticket's paper by a scanner, and how often."""
    items = [one.gtin or one.sku for one in ticket.lines] + [one.gtin or one.gift for one in ticket.gift_lines]
    return Counter([ticket.ticket, *items])


def scanned(images):
    """What a scanner reads on pages, set to the two kinds that are printed: others find digits in rows of text."""
    kinds = [zxingcpp.BarcodeFormat.Code128, zxingcpp.BarcodeFormat.QRCode]
    return Counter(found.text for image in images for found in zxingcpp.read_barcodes(image, formats=kinds))


def pages(pdf):
    """The pages of a PDF as a printer would put them on paper, grey."""
    document = pypdfium2.PdfDocument(pdf)
    return [document[n].render(scale=DPI / 72, grayscale=True).to_pil() for n in range(len(document))]


def words(pdf):
    """The text of each page, its white space as single spaces."""
    document = pypdfium2.PdfDocument(pdf)
    return [" ".join(document[n].get_textpage().get_text_range().split()) for n in range(len(document))]
