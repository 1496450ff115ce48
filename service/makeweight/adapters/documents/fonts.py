"""Fonts for PDF, and what to do about characters that they don't have: such text is told, never dropped.

DejaVu Sans where the machine has it (Debian: ``fonts-dejavu-core``), else Bitstream Vera, which comes with ReportLab
and knows the Latin alphabet. A character that neither can draw is printed as its code point. That holds for scripts
that run from right to left too: unshaped and in the wrong direction they would be something else.
"""

import unicodedata
from collections.abc import Iterable
from functools import cache
from html import escape
from pathlib import Path

from reportlab.pdfbase.pdfmetrics import registerFont
from reportlab.pdfbase.ttfonts import TTFError, TTFont

PLACES = ("/usr/share/fonts/truetype/dejavu", "/usr/share/fonts/dejavu-sans-fonts", "/usr/share/fonts/TTF")
PLAIN, BOLD = "Sheet", "Sheet-Bold"
_RIGHT_TO_LEFT = frozenset({"R", "AL"})


@cache
def register() -> frozenset[int]:
    """Make ``PLAIN`` and ``BOLD`` known to ReportLab; the code points that both can draw."""
    known: list[set[int]] = []
    for name, wide, narrow in ((PLAIN, "DejaVuSans.ttf", "Vera.ttf"), (BOLD, "DejaVuSans-Bold.ttf", "VeraBd.ttf")):
        font = _font(name, wide, narrow)
        registerFont(font)
        known.append({code for code, glyph in font.face.charToGlyph.items() if glyph})
    return frozenset.intersection(*map(frozenset, known))


def _font(name: str, wide: str, narrow: str) -> TTFont:
    for place in PLACES:
        if (Path(place) / wide).exists():
            try:
                return TTFont(name, str(Path(place) / wide))
            except TTFError:  # a damaged file: the one that is always there does
                break
    return TTFont(name, narrow)


def drawable(text: str) -> str:
    """The text with each character that can't be drawn as its code point: '茶' -> '[U+8336]' with Latin fonts."""
    known = register()
    return "".join(_one(character, known) for character in text)


def _one(character: str, known: frozenset[int]) -> str:
    if character.isspace():
        return " "
    if unicodedata.bidirectional(character) in _RIGHT_TO_LEFT or ord(character) not in known:
        return f"[U+{ord(character):04X}]"
    return character


def told_by_code(texts: Iterable[str]) -> str:
    """The first character of the texts that is told by its code point, as it is told; '' if all can be drawn."""
    known = register()
    told = (_one(character, known) for text in texts for character in text)
    return next((one for one in told if len(one) > 1), "")


def marked_up(text: str) -> str:
    """Drawable text for a paragraph, whose markup is a kind of XML."""
    return escape(drawable(text))
