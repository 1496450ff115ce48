"""`makeweight prior-price` and the price histories that it reads, as people and scripts use them."""

import json

import pytest

from makeweight.adapters.documents.files import FileErrors
from makeweight.adapters.documents.prices import read_instant, read_prices
from makeweight.cli.console import REFUSED, USAGE
from tests.integration.test_cli import run

# Ex-37 (common practice, no source) beside an item that is too new on the market for a claim.
PRICES = """sku,market,from,price
SERUM-30,IE,2026-09-21,42.00
SERUM-30,IE,2026-09-01,50.00
SERUM-30,IE,2026-09-28,55
BRUSH-4,IE,2026-10-01,12.00
"""
LATER = ["--from", "2026-10-15", "--zone", "Europe/Dublin"]


@pytest.fixture
def folder(tmp_path):
    """A folder with the history."""
    (tmp_path / "prices.csv").write_text(PRICES)
    return tmp_path


def test_every_item_is_told(folder):
    """Ex-37: the prior price, since when, the percent from it; what is unknown is blocked and says why."""
    done = run(folder, "prior-price", "--history", "prices.csv", *LATER, "--sale", "SERUM-30=39.90", "--json")
    assert done.exit_code == REFUSED
    told = json.loads(done.stdout)
    brush, serum = told["items"]
    assert (serum["prior_price"], serum["since"], serum["percent"]) == (4200, "2026-09-21T00:00:00+01:00", 5)
    assert (serum["sale_price"], serum["blocked"]) == (3990, None)
    assert (brush["prior_price"], brush["percent"]) == (None, None)
    assert "are known from 2026-10-01T00:00:00+01:00 on" in brush["blocked"]
    assert (told["from"], told["currency"]) == ("2026-10-14T23:00:00+00:00", "EUR")
    assert "legal or compliance decides" in told["who_decides"]


def test_for_people(folder):
    """The same in a line for each item; who decides stands on stdout, so that no pipe loses it."""
    arguments = ["prior-price", "--history", "prices.csv", *LATER]
    done = run(folder, *arguments, "--sale", "SERUM-30=44")
    lines = done.stdout.splitlines()
    assert lines[0].startswith("BRUSH-4 in IE: nothing may be claimed: ")
    assert lines[1] == (
        "SERUM-30 in IE: prior price 42.00 EUR, since 2026-09-21T00:00:00+01:00; at 44.00 EUR nothing may be claimed: "
        "not a reduction: the sale price is not below the prior price"
    )
    assert "legal or compliance decides" in lines[2]
    (folder / "prices.csv").write_text(PRICES.replace("BRUSH-4,IE,2026-10-01,12.00\n", ""))
    assert "at 41.99 EUR a reduction of less than 1 %" in run(folder, *arguments, "--sale", "SERUM-30=41.99").stdout
    plain = run(folder, *arguments)
    assert (plain.exit_code, plain.stdout.count("prior price"), "% off" in plain.stdout) == (0, 1, False)


def test_a_series_where_the_market_opted_in(folder):
    """Ex-38 (common practice, no source): 30 % from 100.00 with --progressive, 12 % from 80.00 without."""
    rows = ["sku,market,from,price", "CASE,FR,2026-08-01,100", "CASE,FR,2026-10-01,90", "CASE,FR,2026-10-08,80"]
    (folder / "prices.csv").write_text("\n".join(rows))
    arguments = ["prior-price", "--history", "prices.csv", *LATER, "--sale", "CASE=70.00"]
    assert "prior price 80.00 EUR" in run(folder, *arguments).stdout
    told = run(folder, *arguments, "--progressive").stdout
    assert "prior price 100.00 EUR" in told
    assert "30 % off" in told


def test_the_header_may_stand_in_any_order(folder):
    """Columns by name, times with an offset and times of the zone beside each other, a mark at the file's start."""
    rows = "\ufeffprice,from,market,sku\r\n12.5,2026-09-01T00:00:00+02:00,IE,A\r\n13,2026-09-02 10:00,IE,A\r\n"
    (folder / "prices.csv").write_text(rows, encoding="utf-8")
    (history,) = read_prices(folder / "prices.csv", "EUR", "Europe/Dublin")
    assert [(s.start.isoformat(), s.price) for s in history.spans] == [
        ("2026-08-31T22:00:00+00:00", 1250),
        ("2026-09-02T09:00:00+00:00", 1300),
    ]


@pytest.mark.parametrize(
    ("content", "line", "part"),
    [
        ("sku,market,price\n", 1, "column 'from' is missing"),
        ("sku,market,from,prise\n", 1, "column 'price' is missing; did you mean 'prise'?"),
        ("sku,market,from,price,site\n", 1, "unknown column 'site'"),
        ("sku,market,from,price,price\n", 1, "stands here twice"),
        ("", 1, "column 'sku' is missing"),
        ("sku,market,from,price\nA,IE,2026-09-01\n", 2, "3 values where the header has 4 columns"),
        ("sku,market,from,price\nA,IE,2026-09-01,1,000.00\n", 2, "write 1000, not 1,000"),
        ("sku,market,from,price\n,IE,2026-09-01,1\n", 2, "must not be empty"),
        ("sku,market,from,price\nA,IE,2026-09-01,1.005\n", 2, "more than the 2 decimals of EUR"),
        ("sku,market,from,price\nA,IE,2026-09-01,-1\n", 2, "from 0 up"),
        ("sku,market,from,price\nA,IE,1 Sep,1\n", 2, "from '1 Sep': expected RFC 3339"),
        ("sku,market,from,price\nA,IE,0001-01-01,1\n", 2, "expected a year from 1990 on"),
        ("sku,market,from,price\nA,IE,2026-10-25 01:30,1\n", 2, "happens twice"),
        ("sku,market,from,price\nA,IE,2026-09-01,1\nA,IE,2026-09-01T00:00:00+01:00,2\n", 3, "in line 2 already"),
        ("sku,market,from,price\n" + "A" * 200_000 + ",IE,2026-09-01,1\n", 2, "cannot be read as CSV"),
    ],
)
def test_wrong_history(content, line, part, folder):
    """File, line, and what was expected there."""
    path = folder / "prices.csv"
    path.write_text(content)
    with pytest.raises(FileErrors) as refused:
        read_prices(path, "EUR", "Europe/Dublin")
    first = refused.value.errors[0]
    assert (first.line, part in str(first)) == (line, True), str(first)


def test_a_history_that_is_no_text(folder):
    """A file that isn't there, and one that isn't UTF-8."""
    (folder / "prices.csv").write_bytes(b"sku\xff")
    for name in ("prices.csv", "nowhere.csv"):
        with pytest.raises(FileErrors, match="cannot be read as UTF-8 text"):
            read_prices(folder / name, "EUR")


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (["--from", "2026-10-15"], "has no offset from UTC; say --zone"),
        (["--from", "soon"], "expected RFC 3339"),
        ([*LATER[:2], "--zone", "Dublin"], "not an IANA time zone"),
        ([*LATER, "--currency", "EURO"], "ISO 4217"),
        ([*LATER, "--sale", "SERUM-30"], "expected SKU=PRICE"),
        ([*LATER, "--sale", "SERUM-31=4"], "did you mean 'SERUM-30'?"),
        ([*LATER, "--sale", "SERUM-30=4.005"], "more than the 2 decimals"),
        ([*LATER, "--sale", "SERUM-30=-4"], "from 0 up"),
    ],
)
def test_wrong_command(arguments, part, folder):
    """Exit code 2 says what was expected; nothing on stdout."""
    done = run(folder, "prior-price", "--history", "prices.csv", *arguments)
    assert (done.exit_code, done.stdout) == (USAGE, "")
    assert part in done.stderr


def test_an_instant_needs_no_zone():
    """RFC 3339 says its own offset."""
    assert read_instant("2026-10-15T00:00:00+02:00", None).isoformat() == "2026-10-14T22:00:00+00:00"
