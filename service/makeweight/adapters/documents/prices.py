"""Price histories: CSV with the columns sku, market, from and price, one row for each price that was asked."""

from datetime import UTC, date, datetime
from pathlib import Path

from makeweight.adapters.documents.files import FileError, FileErrors
from makeweight.adapters.documents.rows import read_rows
from makeweight.contracts.orders import FIRST_YEAR, MAX_AMOUNT
from makeweight.domain.moments import Instant
from makeweight.domain.money import to_minor
from makeweight.domain.prior_price import PriceFrom, PriceHistory, history_of, local_start

COLUMNS = ("sku", "market", "from", "price")
LAST_YEAR = 9000  # leaves room for the days of a look-back or an offset at either end of the calendar


def read_prices(path: Path, currency: str, zone: str | None = None) -> list[PriceHistory]:
    """The histories of a file, by item and market. Days are counted in the zone, or in UTC without one.

    ``FileErrors`` lists every wrong row: among them two prices of an item that begin at the same instant.
    """
    steps: dict[tuple[str, str], dict[Instant, tuple[int, int]]] = {}
    errors = []
    for line, row in read_rows(path, COLUMNS):
        try:
            item, step = _step(row, currency, zone)
        except ValueError as error:
            errors.append(FileError(path, line, str(error)))
            continue
        before, _ = steps.setdefault(item, {}).setdefault(step.start, (line, step.price))
        if before != line:
            text = f"{item[0]!r} has a price from this very instant in line {before} already; keep one"
            errors.append(FileError(path, line, text))
    if errors:
        raise FileErrors(errors)
    return [
        history_of(sku, market, [PriceFrom(start, price) for start, (_, price) in prices.items()], zone or "UTC")
        for (sku, market), prices in sorted(steps.items())
    ]


def _step(row: dict[str, str], currency: str, zone: str | None) -> tuple[tuple[str, str], PriceFrom]:
    if not row["sku"] or not row["market"]:
        raise ValueError("sku and market must not be empty")
    price = read_price(row["price"], currency)
    try:
        return (row["sku"], row["market"]), PriceFrom(read_instant(row["from"], zone), price)
    except ValueError as error:
        raise ValueError(f"from {error}") from None


def read_price(text: str, currency: str) -> int:
    """A price in major units, in minor units; ``ValueError`` says what was expected."""
    price = to_minor(text, currency)
    if not 0 <= price <= MAX_AMOUNT:
        raise ValueError(f"price {text!r}: expected an amount from 0 up")
    return price


def read_instant(text: str, zone: str | None) -> Instant:
    """RFC 3339, or a local time or day of the zone; ``ValueError`` says what was expected."""
    expected = "such as 2026-10-15T00:00:00Z, or a local time or day with --zone"
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r}: expected RFC 3339, {expected}") from None
    if not FIRST_YEAR <= at.year < LAST_YEAR:
        raise ValueError(f"{text!r}: expected a year from {FIRST_YEAR} on")
    if at.tzinfo is not None:
        return at.astimezone(UTC)
    if zone is None:
        raise ValueError(f"{text!r} has no offset from UTC; say --zone, such as --zone Europe/Dublin")
    return local_start(_day(text) or at, zone)


def _day(text: str) -> date | None:
    """A day alone, without a time; its first instant is then meant, whether or not it has a midnight."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None
