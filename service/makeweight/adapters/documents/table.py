"""A flat table of order lines, CSV or Parquet, read into orders: one row a line, rows of an order adjacent or not.

Columns are read by column, not by row: texts are parsed once for each distinct value, since a million rows hold few
distinct prices, brands and dates.
"""

import csv
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from math import isfinite
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from makeweight.adapters.documents.files import FileError
from makeweight.contracts.problems import nearest
from makeweight.domain.money import digits, to_minor
from makeweight.domain.orders import DEFAULT_SITE, Line, Order
from makeweight.domain.values import value

REQUIRED = ("order_id", "placed_at", "units", "line_total")
NAMED = ("customer", "sku", "brand", "category")
OPTIONAL = ("list_total", "kind", "site", "market", "status")
COLUMNS = (*REQUIRED, *NAMED, *OPTIONAL)
KINDS = ("goods", "gift_card", "wrap", "service", "donation")
MAX_UNITS = 10**8
MAX_TOTAL = 10**12
MAX_TOLD = 20  # wrong rows that are told one by one; all of them are counted


@value
class Reading:
    """How to read the table: other names of columns, the zone of times without an offset, currency and market."""

    columns: Mapping[str, str]
    zone: ZoneInfo | None
    currency: str
    market: str


class Table:
    """The orders of a table. ``rejected`` counts the wrong rows and ``told`` says what is wrong with the first."""

    def __init__(self, path: Path, reading: Reading) -> None:
        self._path, self._reading = path, reading
        self.rejected = 0
        self.told: list[str] = []
        self._first_row = 1 if path.suffix == ".parquet" else 2  # a CSV file's first line is its header
        self._torn: list[tuple[int, str]] = []  # rows with more or fewer values than columns, by their number
        self._columns = _load(path, reading.columns, self._torn)
        self.rows = len(self._columns["order_id"])
        self._bad: dict[int, str] = {}

    def orders(self) -> Iterator[Order]:
        """Orders by the instant they were placed; those placed together in the order of their first rows."""
        columns = self._values()
        self._count_bad()
        groups = self._groups(columns["order_id"])
        placed = columns["placed_at"]
        starts = sorted((placed[rows[0]], i) for i, rows in enumerate(groups))
        for _, i in starts:
            order = self._order(groups[i], columns)
            groups[i] = []
            yield order

    def _groups(self, ids: list[Any]) -> list[list[int]]:
        groups: dict[Any, list[int]] = {}
        bad = self._bad
        for row, order in enumerate(ids):
            if row not in bad:
                group = groups.get(order)
                if group is None:
                    groups[order] = [row]
                else:
                    group.append(row)
        return list(groups.values())

    def _order(self, rows: list[int], columns: dict[str, list[Any]]) -> Order:
        first = rows[0]
        sku, brand, category = columns["sku"], columns["brand"], columns["category"]
        units, total, listed = columns["units"], columns["line_total"], columns["list_total"]
        kind, site = columns["kind"], columns["site"]
        lines = [
            Line(n, sku[r], units[r], total[r], listed[r], brand[r], category[r], kind[r], site=site[r])
            for n, r in enumerate(rows, 1)
        ]
        at = columns["placed_at"][first]
        return Order(
            columns["order_id"][first],
            1,
            columns["status"][first],
            at,
            at,
            columns["market"][first],
            self._reading.currency,
            lines,
            customer=columns["customer"][first],
        )

    def _values(self) -> dict[str, list[Any]]:
        reading, rows = self._reading, self.rows
        money = _money(reading.currency)
        found: dict[str, list[Any]] = {
            "order_id": self._texts("order_id", required=True),
            "placed_at": self._placed(),
            "units": self._parsed("units", _units),
            "line_total": self._amounts("line_total", money),
            "list_total": self._amounts("list_total", money) if "list_total" in self._columns else [None] * rows,
            "category": self._parsed("category", _categories, missing=[]),
            "kind": self._parsed("kind", _kind, missing="goods"),
            "status": self._parsed("status", _status, missing="placed"),
        }
        for name, text in (("sku", ""), ("brand", ""), ("site", DEFAULT_SITE), ("market", reading.market)):
            found[name] = self._texts(name, missing=text)
        found["customer"] = self._texts("customer", missing=None)
        return found

    def _texts(self, name: str, *, missing: str | None = None, required: bool = False) -> list[Any]:
        if name not in self._columns:
            return [missing] * self.rows
        words, indices = self._coded(name, as_text=True)
        values = [words[i] for i in indices]  # equal texts are the same object
        for row, text in enumerate(values):
            if not text:
                values[row] = missing
                if required:
                    self._bad.setdefault(row, f"{name} is empty")
        return values

    def _parsed(self, name: str, parse: Callable[[Any], Any], *, missing: Any = None) -> list[Any]:
        """Each distinct value parsed once. A value that ``parse`` refuses makes its rows wrong."""
        if name not in self._columns:
            return [missing] * self.rows
        words, indices = self._coded(name)
        parsed: list[Any] = []
        faults: dict[int, str] = {}
        for i, raw in enumerate(words):
            try:
                parsed.append(missing if (raw is None or raw == "") and name in OPTIONAL + NAMED else parse(raw))
            except (ValueError, TypeError) as error:
                faults[i] = f"{name} {error}"
                parsed.append(None)
        if faults:
            for row, i in enumerate(indices):
                if i in faults:
                    self._bad.setdefault(row, faults[i])
        return [parsed[i] for i in indices]

    def _coded(self, name: str, *, as_text: bool = False) -> tuple[list[Any], list[int]]:
        """The distinct values of a column, and which of them each row holds."""
        column = self._columns[name]
        try:
            column = _plain(column)
            if as_text and not pa.types.is_string(column.type):
                column = pc.cast(column, pa.string())
            encoded = column.combine_chunks().dictionary_encode(null_encoding="encode")
            return encoded.dictionary.to_pylist(), encoded.indices.to_pylist()
        except (pa.ArrowException, ValueError, LookupError, OverflowError) as error:
            # Parquet has types that no order holds, and its times may have zones or days that nobody knows.
            raise FileError(self._path, None, f"{name} ({column.type}) cannot be read: {error}") from None

    def _amounts(self, name: str, money: Callable[[Any], int]) -> list[Any]:
        return self._parsed(name, money)

    def _placed(self) -> list[Any]:
        return self._parsed("placed_at", _instant(self._reading.zone))

    def _count_bad(self) -> None:
        self.rejected = len(self._bad) + len(self._torn)
        found = [(self._number(row), self._bad[row]) for row in sorted(self._bad)[:MAX_TOLD]]
        self.told += [f"{self._path}:{number}: {text}" for number, text in sorted(found + self._torn)[:MAX_TOLD]]

    def _number(self, row: int) -> int:
        """Where a row stands in the file: torn rows before it are not among the rows that were read."""
        number = row + self._first_row
        for torn, _ in self._torn:
            number += torn <= number
        return number


def _load(path: Path, names: Mapping[str, str], torn: list[tuple[int, str]]) -> dict[str, Any]:
    for ours in names:
        if ours not in COLUMNS:
            raise FileError(path, None, f"--column {ours}=…: {ours!r} is no column of ours{nearest(ours, COLUMNS)}")
    try:
        if path.suffix == ".parquet":
            schema = pq.read_schema(path)
            wanted = [n for n in (names.get(c, c) for c in COLUMNS) if n in schema.names]
            table = pq.read_table(path, columns=wanted)
        else:
            table = _read_csv(path, torn)
    except (OSError, pa.ArrowException, UnicodeDecodeError, csv.Error) as error:
        raise FileError(path, None, f"cannot be read as a table: {error}") from None
    columns = {}
    for ours in COLUMNS:
        theirs = names.get(ours, ours)
        if theirs in table.column_names:
            columns[ours] = table.column(theirs)
        elif ours in REQUIRED or ours in names:
            hint = nearest(theirs, table.column_names)
            have = ", ".join(table.column_names)
            raise FileError(path, 1, f"column {theirs!r} is missing{hint}; the table has {have}. Map --column {ours}=…")
    return columns


def _read_csv(path: Path, torn: list[tuple[int, str]]) -> Any:
    with path.open(encoding="utf-8-sig", newline="") as file:
        header = file.readline()
    found = next(iter(csv.reader([header])), [])
    twice = sorted({name for name in found if found.count(name) > 1})
    if twice:
        raise FileError(path, 1, f"column {twice[0]!r} stands here twice; keep one")
    options = pacsv.ConvertOptions(column_types=dict.fromkeys(found, pa.string()), strings_can_be_null=False)
    try:
        return pacsv.read_csv(path, convert_options=options, parse_options=pacsv.ParseOptions(newlines_in_values=True))
    except pa.ArrowInvalid:
        # Torn rows have a number only where one thread reads; most tables have none, so this is the second reading.
        def tear(row: Any) -> str:
            torn.append(
                (row.number, f"{row.actual_columns} values where the header has {row.expected_columns} columns")
            )
            return "skip"

        parse = pacsv.ParseOptions(newlines_in_values=True, invalid_row_handler=tear)
        one_thread = pacsv.ReadOptions(use_threads=False)
        return pacsv.read_csv(path, read_options=one_thread, convert_options=options, parse_options=parse)


def _plain(column: Any) -> Any:
    kind = column.type
    if pa.types.is_dictionary(kind):
        # Parquet may store repeated texts as codes; we make our own, the same for every file.
        return pc.cast(column, kind.value_type)
    if pa.types.is_timestamp(kind) and kind.unit == "ns":
        # A datetime holds microseconds; what is below them decides nothing.
        return pc.cast(column, pa.timestamp("us", kind.tz), safe=False)
    return column


def _money(currency: str) -> Callable[[Any], int]:
    scale = 10 ** digits(currency)

    def parse(raw: Any) -> int:
        if raw is None:
            raise ValueError("is empty")
        if isinstance(raw, float):
            if not isfinite(raw):
                raise ValueError(f"{raw}: expected an amount from 0 up")
            minor: int = round(raw * scale)
            # A float is read as the decimal it was written from: one cent and a half is wrong, 0.1 + 0.2 is not.
            if not abs(raw * scale - minor) < 1e-6 * max(1.0, abs(minor)):
                raise ValueError(f"{raw}: more decimals than {currency} has")
        else:
            minor = to_minor(str(raw), currency)
        if not 0 <= minor <= MAX_TOTAL:
            raise ValueError(f"{raw}: expected an amount from 0 up")
        return minor

    return parse


def _units(raw: Any) -> int:
    text = str(raw).strip()
    if isinstance(raw, float) and raw.is_integer():
        text = str(int(raw))
    if not text.isdecimal() or int(text) > MAX_UNITS:
        raise ValueError(f"{raw!r}: expected a whole number from 0 up")
    return int(text)


def _categories(raw: Any) -> list[str]:
    return [str(raw)]


def _kind(raw: Any) -> str:
    if raw not in KINDS:
        raise ValueError(f"{raw!r}: expected one of {', '.join(KINDS)}{nearest(str(raw), KINDS)}")
    return str(raw)


def _status(raw: Any) -> str:
    if raw not in ("placed", "cancelled"):
        raise ValueError(f"{raw!r}: expected placed or cancelled{nearest(str(raw), ('placed', 'cancelled'))}")
    return str(raw)


def _instant(zone: ZoneInfo | None) -> Callable[[Any], datetime]:
    def parse(raw: Any) -> datetime:
        at = raw
        if raw is None or raw == "":
            raise ValueError("is empty")
        if isinstance(raw, str):
            try:
                at = datetime.fromisoformat(raw.strip())
            except ValueError:
                raise ValueError(f"{raw!r}: expected RFC 3339, such as 2026-11-24T10:00:00+00:00") from None
        if hasattr(at, "to_pydatetime"):  # a nanosecond timestamp
            at = at.to_pydatetime()
        if not isinstance(at, datetime):
            raise TypeError(f"{raw!r}: expected a time, not only a date")
        if at.tzinfo is None:
            if zone is None:
                raise ValueError(f"{raw}: has no offset from UTC; say --zone, such as --zone Europe/Dublin")
            at = at.replace(tzinfo=zone)  # a repeated local time is its first occurrence (RFC 5545)
        try:
            return at.astimezone(UTC)
        except OverflowError:
            raise ValueError(f"{raw}: expected a time between the years 1 and 9999 of UTC") from None

    return parse
