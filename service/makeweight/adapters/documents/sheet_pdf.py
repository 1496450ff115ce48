"""Pick tickets as PDF, A4: drawn by ReportLab, barcodes as rectangles, fonts embedded.

Each ticket begins on a page of its own; the foot of every page names the ticket and counts its pages, so that the pages
of two tickets that fell on the floor can be told apart.
"""

from collections.abc import Sequence
from io import BytesIO
from typing import Any

from reportlab.lib.colors import black, white
from reportlab.lib.enums import TA_CENTER, TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    KeepTogether,
    NextPageTemplate,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from makeweight.adapters.documents.fonts import BOLD, PLAIN, drawable, marked_up, register, told_by_code
from makeweight.adapters.documents.symbols import Symbol, bars, symbol
from makeweight.planning.sheet import GiftOnSheet, Goods, Sheet

MARGIN, FOOT = 12 * mm, 10 * mm
WIDTH = A4[0] - 2 * MARGIN
BODY = A4[1] - 2 * MARGIN - FOOT
NARROW = 13  # characters of a Code 128 that fits a column
MODULE, MODULE_TICKET, MODULE_QR = 0.3 * mm, 0.33 * mm, 0.6 * mm
_SCAN = 61 * mm
_TICK, _UNITS = 9 * mm, 17 * mm


def document(sheets: Sequence[Sheet], title: str) -> bytes:
    """The sheets as one PDF. ``ValueError`` without a sheet: a document needs a page."""
    if not sheets:
        raise ValueError("no ticket to print")
    register()
    # How many pages a ticket has is known once it has been set: so it is set twice.
    _, pages = _set(sheets, title, [0] * len(sheets))
    made, _ = _set(sheets, title, pages)
    return made


def _set(sheets: Sequence[Sheet], title: str, pages: Sequence[int]) -> tuple[bytes, list[int]]:
    """The document, whose foot says of how many pages each ticket is; and of how many each came out."""
    out = BytesIO()
    made = BaseDocTemplate(
        out, pagesize=A4, title=title, author="Makeweight", lang="en", invariant=True, pageCompression=1
    )
    story: list[Flowable] = []
    feet = [_Foot(one, of) for one, of in zip(sheets, pages, strict=True)]
    for number, one in enumerate(sheets):
        frame = Frame(MARGIN, MARGIN + FOOT, WIDTH, BODY, 0, 0, 0, 0)
        made.addPageTemplates(PageTemplate(f"sheet-{number}", [frame], onPage=feet[number]))
        if number:
            story += [NextPageTemplate(f"sheet-{number}"), PageBreak()]
        story += _flow(one)
    made.build(story)
    return out.getvalue(), [foot.pages for foot in feet]


class _Foot:
    """The foot of a ticket's pages: which ticket, and which of its pages."""

    def __init__(self, one: Sheet, of: int) -> None:
        self._text = drawable(f"{one.ticket}, {one.edition}")
        self._of, self.pages = of, 0

    def __call__(self, canvas: Canvas, _document: BaseDocTemplate) -> None:
        self.pages += 1
        canvas.setLineWidth(0.25 * mm)
        canvas.line(MARGIN, MARGIN + 6 * mm, A4[0] - MARGIN, MARGIN + 6 * mm)
        page = f"page {self.pages} of {self._of}"
        canvas.setFont(PLAIN, 8)
        canvas.drawRightString(A4[0] - MARGIN, MARGIN + 2 * mm, page)
        room = WIDTH - canvas.stringWidth(page, PLAIN, 8) - 6 * mm
        text = self._text
        while canvas.stringWidth(text, PLAIN, 8) > room:
            text = text[: -max(2, len(text) // 20)].rstrip("…") + "…"
        canvas.drawString(MARGIN, MARGIN + 2 * mm, text)


class _Drawn(Flowable):  # type: ignore[misc]  # ReportLab ships no types
    """A symbol on its white ground."""

    def __init__(self, drawn: Symbol, module: float, height: float) -> None:
        super().__init__()
        square = drawn.kind == "qr"
        self.drawn, self.module = drawn, MODULE_QR if square else module
        self.rise = self.module if square else height
        self.width, self.height = drawn.width * self.module, drawn.height * self.rise
        self.hAlign = "CENTER"

    def draw(self) -> None:
        """Black rectangles; ReportLab counts from the bottom."""
        canvas = self.canv
        canvas.setFillColor(white)
        canvas.rect(0, 0, self.width, self.height, stroke=0, fill=1)
        canvas.setFillColor(black)
        for r in self.drawn.black:
            bottom = self.height - (r.y + r.height) * self.rise
            canvas.rect(r.x * self.module, bottom, r.width * self.module, r.height * self.rise, stroke=0, fill=1)


class _Box(Flowable):  # type: ignore[misc]
    """An empty box to tick."""

    def __init__(self) -> None:
        super().__init__()
        self.width = self.height = 5 * mm

    def draw(self) -> None:
        """Its outline."""
        self.canv.setLineWidth(0.4 * mm)
        self.canv.rect(0, 0, self.width, self.height)


class _Sign(Flowable):  # type: ignore[misc]
    """A triangle with an exclamation mark: no font is asked for it."""

    def __init__(self, size: float) -> None:
        super().__init__()
        self.width = self.height = size

    def draw(self) -> None:
        """Outline and mark."""
        canvas, size = self.canv, self.width
        canvas.setLineWidth(size / 10)
        canvas.setLineJoin(1)
        path = canvas.beginPath()
        path.moveTo(size / 2, size * 0.95)
        path.lineTo(size * 0.97, size * 0.05)
        path.lineTo(size * 0.03, size * 0.05)
        path.close()
        canvas.drawPath(path)
        canvas.line(size / 2, size * 0.63, size / 2, size * 0.36)
        canvas.circle(size / 2, size * 0.2, size / 18, stroke=0, fill=1)


def _style(size: float, font: str = PLAIN, align: int = 0, lead: float = 1.25) -> ParagraphStyle:
    return ParagraphStyle("", fontName=font, fontSize=size, leading=size * lead, alignment=align)


_TEXT, _SMALL, _STRONG = _style(10.5), _style(8), _style(10.5, BOLD)
_HEAD, _ID = _style(12, BOLD), _style(18, BOLD, lead=1.15)
_NUMBER, _COUNT = _style(10.5, align=TA_RIGHT), _style(17, BOLD, TA_RIGHT, 1.1)
_CAUTION, _SAYS, _STOP = _style(12.5, BOLD), _style(16, BOLD), _style(34, BOLD, TA_CENTER, 1.15)
_CAPTION = ParagraphStyle("", _SMALL, leftIndent=3 * mm)
_COLUMN, _COLUMN_RIGHT = _style(8, BOLD), _style(8, BOLD, TA_RIGHT)


def _say(text: str, style: ParagraphStyle = _TEXT) -> Paragraph:
    return Paragraph(marked_up(text), style)


def _flow(one: Sheet) -> list[Flowable]:
    flow: list[Flowable] = [_head(one), Spacer(0, 4 * mm), *_banner(one)]
    flow += _beyond(one)
    if one.take_off:
        lines = [_say("Put back on the shelf, if it can still be stopped", _HEAD)]
        lines += [_say(f"- {text}", _CAUTION) for text in one.take_off]
        flow += [Spacer(0, 3 * mm), _boxed([[lines]], [WIDTH], 0.9 * mm, dashed=True)]
    if one.gifts:
        rows = [_gift(gift) for gift in one.gifts]
        flow += _section(one, "Gifts", ("", "Units", "Gift", "Scan"), rows, _columns(), box=True)
    if one.goods:
        rows = [_line(line) for line in one.goods]
        flow += _section(one, "Goods", ("", "Units", "Line", "Item", "Scan"), rows, _columns(13 * mm))
    if one.customs:
        flow += _customs(one)
    return flow


def _beyond(one: Sheet) -> list[Flowable]:
    """A note on characters that are told by their code points, where the sheet has any."""
    texts = [one.ticket, one.site, one.service, one.destination, one.banner.why, *one.take_off]
    texts += [text for gift in one.gifts for text in (gift.title, gift.gift, gift.offer, gift.scanned, *gift.cautions)]
    texts += [text for line in one.goods for text in (line.sku, line.brand, line.scanned)]
    code = told_by_code(texts)
    note = f"{code} and the like stand for characters that this paper's font doesn't have; the HTML ticket has them."
    return [Spacer(0, 1 * mm), _say(note, _SMALL)] if code else []


def _columns(number: float = 0) -> list[float]:
    taken = _TICK + _UNITS + number + _SCAN
    return [_TICK, _UNITS, *([number] if number else []), WIDTH - taken, _SCAN]


def _head(one: Sheet) -> Table:
    drawn = _Drawn(symbol(one.ticket), MODULE_TICKET, 16 * mm)
    facts = [("Site", one.site), ("Order", one.order), ("Edition", one.edition), ("To", one.destination)]
    facts += [("Service", one.service), ("Units to pick", str(one.units)), ("With it", ", ".join(one.benefits))]
    told = " &nbsp; ".join(f"{name} <b>{marked_up(text)}</b>" for name, text in facts if text)
    told = told.replace("<b>", f'<font name="{BOLD}">').replace("</b>", "</font>")
    words = [_say("Pick ticket"), _say(one.ticket, _ID), Spacer(0, 1.5 * mm), Paragraph(told, _style(9.5, lead=1.4))]
    beside = drawn.width <= WIDTH / 2
    style = TableStyle(_BARE)
    if beside:
        return Table([[words, drawn]], [WIDTH - drawn.width, drawn.width], style=style)
    return Table([[words], [drawn]], [WIDTH], style=style)


_BARE = [
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
    ("RIGHTPADDING", (0, 0), (-1, -1), 0),
    ("TOPPADDING", (0, 0), (-1, -1), 0),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
]


def _banner(one: Sheet) -> list[Flowable]:
    banner = one.banner
    why = [_say(banner.why, _style(10.5, align=TA_CENTER if banner.weight == "stop" else 0))] if banner.why else []
    if banner.weight == "stop":
        return [_boxed([[[_say(banner.says.upper(), _STOP), Spacer(0, 2 * mm), *why]]], [WIDTH], 2 * mm)]
    if banner.weight == "heed":
        return [_boxed([[_Sign(7 * mm), [_say(banner.says, _SAYS), *why]]], [12 * mm, WIDTH - 12 * mm], 0.6 * mm)]
    return [_boxed([[[_say(banner.says, _SAYS), *why]]], [WIDTH], 0.3 * mm)]


def _boxed(cells: list[list[Any]], widths: list[float], line: float, *, dashed: bool = False) -> Table:
    box: tuple[Any, ...] = ("BOX", (0, 0), (-1, -1), line, black)
    if dashed:
        box += (None, (3 * mm, 1.5 * mm))
    around = [
        ("TOPPADDING", (0, 0), (-1, -1), 2 * mm),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5 * mm),
        ("LEFTPADDING", (0, 0), (-1, -1), 3 * mm),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3 * mm),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
    ]
    return Table(cells, widths, style=TableStyle([box, *around]))


def _section(
    one: Sheet, name: str, columns: Sequence[str], rows: list[list[Any]], widths: list[float], *, box: bool = False
) -> list[Flowable]:
    """A heading and a table that repeats its head, with the ticket's id, on every page that it runs over."""
    of = f'{name} <font name="{PLAIN}" size="8">of {marked_up(one.ticket)}</font>'
    again = [Paragraph(of, _HEAD), *[""] * (len(columns) - 1)]
    right = ("Units", "Line", "Value")
    heads = [_say(column, _COLUMN_RIGHT if column in right else _COLUMN) for column in columns]
    style = [
        ("SPAN", (0, 0), (-1, 0)),
        ("LINEBELOW", (0, 1), (-1, 1), 0.5 * mm, black),
        ("LINEBELOW", (0, 2), (-1, -1), 0.25 * mm, black),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 1.5 * mm),
        ("RIGHTPADDING", (0, 0), (-1, -1), 1.5 * mm),
        ("TOPPADDING", (0, 2), (-1, -1), 1.8 * mm),
        ("BOTTOMPADDING", (0, 2), (-1, -1), 2.2 * mm),
    ]
    if box:
        style.append(("BOX", (0, 0), (-1, -1), 0.7 * mm, black))
    table = Table([again, heads, *rows], widths, repeatRows=2, style=TableStyle(style))
    flow: list[Flowable] = [Spacer(0, 4 * mm), table]
    # A short table stays in one piece; a long one begins here, if only its head and first row fit.
    return [KeepTogether(flow)] if table.wrap(WIDTH, BODY)[1] < BODY / 2 else flow


def _scan(content: str) -> list[Flowable]:
    drawn = bars(content) if content.isascii() and content.isdigit() else symbol(content, NARROW)
    return [_Drawn(drawn, MODULE, 13 * mm), _say(content, _CAPTION)]


def _gift(gift: GiftOnSheet) -> list[Any]:
    mark = _boxed([[_say("GIFT", _STRONG)]], [18 * mm], 0.5 * mm)
    mark.hAlign = "LEFT"
    mark.setStyle(TableStyle([("TOPPADDING", (0, 0), (-1, -1), 0), ("BOTTOMPADDING", (0, 0), (-1, -1), 1.2 * mm)]))
    told: list[Flowable] = [mark, Spacer(0, 1 * mm), _say(gift.title, _STRONG)]
    if gift.substitute:
        told.append(_say("In place of the gift that was announced.", _STRONG))
    if gift.cautions:
        wide = _columns()[2] - 3 * mm
        rows = [[_Sign(5 * mm), _say(text, _CAUTION)] for text in gift.cautions]
        told += [Spacer(0, 1 * mm), _boxed(rows, [11 * mm, wide - 11 * mm], 0.9 * mm), Spacer(0, 1 * mm)]
    told.append(_say(f"{gift.gift} for {gift.offer}; {gift.earned_by}.", _SMALL))
    return [_Box(), _say(str(gift.units), _COUNT), told, _scan(gift.scanned)]


def _line(line: Goods) -> list[Any]:
    beside = ", ".join(part for part in (line.brand, "back-ordered" if line.back_ordered else "") if part)
    item = [_say(line.sku, _STRONG), *([_say(beside, _SMALL)] if beside else [])]
    return [_Box(), _say(str(line.units), _COUNT), _say(str(line.number), _NUMBER), item, _scan(line.scanned)]


def _customs(one: Sheet) -> list[Flowable]:
    columns = ("Units", "Description", "Commodity code", "Origin", "Category", "Value")
    rows: list[list[Any]] = [
        [
            _say(str(d.units), _NUMBER),
            *map(_say, (d.description, d.hs_code, d.origin, d.category)),
            _say(d.value, _NUMBER),
        ]
        for d in one.customs
    ]
    widths = [14 * mm, WIDTH - 121 * mm, 31 * mm, 15 * mm, 32 * mm, 29 * mm]
    return [*_section(one, "Customs lines of gifts", columns, rows, widths), Spacer(0, 1.5 * mm), _say(one.tariff)]
