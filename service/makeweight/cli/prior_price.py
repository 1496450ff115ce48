"""``makeweight prior-price``: what may be claimed of a reduction."""

from pathlib import Path
from typing import Annotated, Any

import typer

from makeweight.adapters.documents.files import FileErrors
from makeweight.adapters.documents.prices import read_instant, read_price, read_prices
from makeweight.cli.console import REFUSED, fail, out, say_json
from makeweight.contracts.problems import nearest
from makeweight.domain.moments import zone_of
from makeweight.domain.money import digits, to_major
from makeweight.planning.reductions import WHO_DECIDES, reductions

HELP = """Show the prior price of a reduction, and the percent that may be claimed from it.

The prior price is the lowest in the 30 days before the reduction (Directive 98/6/EC Article 6a); a percent is rounded
down. A history that doesn't reach back 30 days blocks the claim. Legal or compliance decides what is said.

[bold]Examples[/bold]

  makeweight prior-price --history prices.csv --from 2026-10-15 --zone Europe/Dublin --sale SERUM-30=39.90

  makeweight prior-price --history prices.csv --from 2026-10-15T00:00:00Z --currency GBP --json
"""


def prior_price(
    history: Annotated[Path, typer.Option(help="CSV of prices: sku, market, from, price (major units).")],
    start: Annotated[str, typer.Option("--from", help="When the reduction begins: RFC 3339, or local with --zone.")],
    zone: Annotated[str | None, typer.Option(help="IANA zone of local times, in which days are counted.")] = None,
    sale: Annotated[list[str] | None, typer.Option(help="SKU=PRICE: the reduced price of an item.")] = None,
    currency: Annotated[str, typer.Option(help="ISO 4217 currency of all prices.")] = "EUR",
    progressive: Annotated[
        bool, typer.Option("--progressive", help="Where the market allows it: one uninterrupted series of reductions.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="The rows as JSON on stdout; prices in minor units.")] = False,
) -> None:
    """Show the prior price of a reduction, and the percent that may be claimed from it."""
    try:
        digits(currency)
        if zone is not None:
            zone_of(zone)
        at = read_instant(start, zone)
    except ValueError as error:
        raise fail(str(error)) from None
    try:
        histories = read_prices(history, currency, zone)
    except FileErrors as error:
        raise fail(str(error)) from None
    sales = _sales(sale or [], currency, sorted({one.sku for one in histories}))
    rows = reductions(histories, at, sales, progressive=progressive)
    if json:
        say_json({"from": at.isoformat(), "currency": currency, "items": rows, "who_decides": WHO_DECIDES})
    else:
        _show(rows, currency)
    if any(row["blocked"] for row in rows):
        raise typer.Exit(REFUSED)


def _sales(given: list[str], currency: str, known: list[str]) -> dict[str, int]:
    found = {}
    for pair in given:
        sku, sign, price = pair.rpartition("=")
        if not sign or not sku:
            raise fail(f"--sale {pair}: expected SKU=PRICE, such as --sale SERUM-30=39.90")
        if sku not in known:
            raise fail(f"--sale {pair}: the history has no item {sku!r}{nearest(sku, known)}")
        try:
            found[sku] = read_price(price, currency)
        except ValueError as error:
            raise fail(f"--sale {pair}: {error}") from None
    return found


def _show(rows: list[dict[str, Any]], currency: str) -> None:
    for row in rows:
        out.print(f"{row['sku']} in {row['market']}: {_claim(row, currency)}", markup=False)
    out.print(WHO_DECIDES, style="dim")


def _claim(row: dict[str, Any], currency: str) -> str:
    sale = "" if row["sale_price"] is None else f"{to_major(row['sale_price'], currency)} {currency}"
    if row["prior_price"] is None:
        return f"nothing may be claimed: {row['blocked']}"
    found = f"prior price {to_major(row['prior_price'], currency)} {currency}, since {row['since']}"
    if row["series_from"]:
        found += f", before the series of reductions that began {row['series_from']}"
    if row["blocked"]:
        return f"{found}; at {sale} nothing may be claimed: {row['blocked']}"
    if row["percent"] is None:
        return found
    return f"{found}; at {sale} " + (f"{row['percent']} % off" if row["percent"] else "a reduction of less than 1 %")
