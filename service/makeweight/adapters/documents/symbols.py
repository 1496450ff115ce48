"""Barcodes as black rectangles, one drawing for every paper: Code 128 (ISO/IEC 15417) and QR (ISO/IEC 18004).

ReportLab's encoders say which modules are black; how they are drawn is the paper's own: a path in HTML,
rectangles in PDF.
"""

import re
from itertools import groupby
from typing import Literal, NamedTuple

from reportlab.graphics.barcode.code128 import Code128
from reportlab.graphics.barcode.qrencoder import QRCode, QRErrorCorrectLevel

LONGEST_BARS = 44  # characters of a Code 128 that a hand scanner still reads across the width of A4
QUIET_BARS, QUIET_QR = 10, 4  # modules of white that each standard asks for around its symbol
_BARS = re.compile(rf"[\x20-\x7e]{{1,{LONGEST_BARS}}}")


class Rectangle(NamedTuple):
    """A black rectangle in modules, from the left and from the top."""

    x: int
    y: int
    width: int
    height: int


class Symbol(NamedTuple):
    """A barcode: its kind, what it says, its size in modules with the quiet zone, and what of it is black.

    Bars are one module high: a paper stretches them.
    """

    kind: Literal["code128", "qr"]
    content: str
    width: int
    height: int
    black: list[Rectangle]


def symbol(content: str, longest_bars: int = LONGEST_BARS) -> Symbol:
    """Code 128 where the text is short and plain ASCII, else QR, which holds any. ``ValueError`` without a text."""
    if not content:
        raise ValueError("a barcode of nothing can't be read by any scanner")
    return bars(content) if len(content) <= longest_bars and _BARS.fullmatch(content) else qr(content)


def bars(content: str) -> Symbol:
    """Code 128. ``ValueError`` where it holds other than printable ASCII, or is too long to be read."""
    if not _BARS.fullmatch(content):
        raise ValueError(f"{content!r}: Code 128 is for 1 to {LONGEST_BARS} characters of ASCII here; use QR")
    encoder = Code128(content)
    encoder.validate()
    encoder.encode()
    encoder.decompose()
    black, at = [], QUIET_BARS
    for run in encoder.decomposed:  # a letter a run: which one is its width, capitals are black
        width = ord(run.lower()) - ord("a") + 1
        if run.isupper():
            black.append(Rectangle(at, 0, width, 1))
        at += width
    return Symbol("code128", content, at + QUIET_BARS, 1, black)


def qr(content: str) -> Symbol:
    """A QR code of the text in UTF-8, with the error correction that survives a crease (level M)."""
    encoder = QRCode(None, QRErrorCorrectLevel.M)
    encoder.addData(content.encode("utf-8", "replace").decode())
    encoder.make()
    black = []
    for y, row in enumerate(encoder.modules):
        x = 0
        for is_black, run in groupby(bool(module) for module in row):
            width = len(list(run))
            if is_black:
                black.append(Rectangle(x + QUIET_QR, y + QUIET_QR, width, 1))
            x += width
    side = encoder.getModuleCount() + 2 * QUIET_QR
    return Symbol("qr", content, side, side, black)
