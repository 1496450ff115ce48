"""Stock files: CSV with the columns gift, site, units and optionally offer."""

import csv
import hashlib
from pathlib import Path

from makeweight.adapters.documents.files import FileError, FileErrors
from makeweight.contracts.orders import MAX_UNITS
from makeweight.contracts.problems import nearest
from makeweight.domain.book import Book
from makeweight.domain.claims import Receipt
from makeweight.domain.moments import Instant

COLUMNS = ("gift", "site", "units")
OPTIONAL = "offer"


def read_stock(path: Path, book: Book, now: Instant) -> list[Receipt]:
    """The receipts of a file; each id is derived from the file's content and the row, so loading it twice adds nothing.

    A row without an offer goes to the one offer not yet ended that names the gift; if several do, it is refused and
    names them. ``FileErrors`` lists every wrong row.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise FileErrors([FileError(path, None, f"cannot be read as UTF-8 text: {error}")]) from None
    fingerprint = hashlib.sha256(text.encode()).hexdigest()[:16]
    reader = csv.DictReader(text.splitlines())
    try:
        header = list(reader.fieldnames or [])
        rows = [(reader.line_num, row) for row in reader]
    except csv.Error as error:
        raise FileErrors([FileError(path, reader.line_num, f"cannot be read as CSV: {error}")]) from None
    errors = [FileError(path, 1, f"column {c!r} is missing{nearest(c, header)}") for c in COLUMNS if c not in header]
    errors += [
        FileError(path, 1, f"unknown column {c!r}{nearest(c or '', (*COLUMNS, OPTIONAL))}")
        for c in header
        if c not in (*COLUMNS, OPTIONAL)
    ]
    if errors:
        raise FileErrors(errors)
    found = []
    for line, row in rows:
        try:
            found.append(_receipt(row, book, now, f"{fingerprint}:{line}"))
        except ValueError as error:
            errors.append(FileError(path, line, str(error)))
    if errors:
        raise FileErrors(errors)
    return found


def _receipt(row: dict[str, str | None], book: Book, now: Instant, receipt: str) -> Receipt:
    if None in row:
        raise ValueError("more values than columns; write 1000, not 1,000")
    gift, site, units = ((row[c] or "").strip() for c in COLUMNS)
    if not gift or not site:
        raise ValueError("gift and site must not be empty")
    if not units.isdecimal() or not 0 < int(units) <= MAX_UNITS:
        raise ValueError(f"units {units!r}: expected a whole number above 0")
    offer = (row.get(OPTIONAL) or "").strip() or _offer_of(gift, book, now)
    if offer.count("/") != 1:
        raise ValueError(f"offer {offer!r}: expected campaign/offer")
    return Receipt(receipt, offer, gift, site, int(units))


def _offer_of(gift: str, book: Book, now: Instant) -> str:
    offers = {
        offer.key for c in book if c.window.end > now for offer in c.offers if gift in (offer.gift, *offer.otherwise)
    }
    if len(offers) == 1:
        return offers.pop()
    if offers:
        names = ", ".join(sorted(offers))
        raise ValueError(f"gift {gift!r} is named by several offers ({names}); say which in a column `offer`")
    known = {name for c in book for name in c.gifts}
    raise ValueError(f"no offer that has not ended gives {gift!r}{nearest(gift, known)}; say which in a column `offer`")
