"""``makeweight replay``."""

from pathlib import Path
from typing import Annotated, Any

import typer
from rich.table import Table

from makeweight import bootstrap
from makeweight.adapters.documents.files import FileErrors
from makeweight.cli.console import REFUSED, err, fail, out, progress, say_json
from makeweight.contracts.codec import dumps
from makeweight.domain.tickets import PickTicket

HELP = """Play past orders against campaigns, in memory.

[bold]Examples[/bold]

  makeweight replay --campaign ink-week.yaml --lines orders.csv --zone Europe/Dublin

  makeweight replay --campaign a.yaml --campaign b.yaml --orders day.jsonl --stock stock.csv --json
"""


def replay(
    campaign: Annotated[list[Path], typer.Option(help="A campaign file; may be given several times.")],
    lines: Annotated[Path | None, typer.Option(help="A table of order lines: .csv or .parquet.")] = None,
    orders: Annotated[Path | None, typer.Option(help="Order events, one JSON object a line.")] = None,
    stock: Annotated[Path | None, typer.Option(help="Gift stock as CSV; without it units are unlimited.")] = None,
    zone: Annotated[str | None, typer.Option(help="IANA zone of times in the table that have no offset.")] = None,
    column: Annotated[list[str] | None, typer.Option(help="OURS=THEIRS: another name of a column.")] = None,
    tickets: Annotated[Path | None, typer.Option(help="Write the current tickets here, as JSONL.")] = None,
    json: Annotated[bool, typer.Option("--json", help="The summary as JSON on stdout.")] = False,
) -> None:
    """Play past orders against campaigns, in memory."""
    if (lines is None) == (orders is None):
        raise fail("say either --lines TABLE or --orders FILE.jsonl")
    request = bootstrap.ReplayRequest(campaign, lines, orders, stock, zone, read_columns(column or []))
    kept: dict[str, PickTicket] = {}
    sink = (lambda ticket: kept.__setitem__(ticket.ticket, ticket)) if tickets else None
    bootstrap.tune_collector()
    try:
        with progress("orders replayed") as bar:
            result = bootstrap.run_replay(request, sink, bar)
        if tickets is not None:
            with tickets.open("wb") as file:
                file.writelines(dumps(kept[ticket]) + b"\n" for ticket in sorted(kept))
    except FileErrors as error:
        raise fail(str(error)) from None
    except (OSError, ValueError) as error:
        raise fail(str(error)) from None
    for line in result.rejected:
        err.print(line, markup=False)
    if json:
        say_json(result.summary)
    else:
        _show(result.summary)
    if result.summary["rejected_rows"]:
        raise typer.Exit(REFUSED)


def read_columns(given: list[str]) -> dict[str, str]:
    """The names of columns that were mapped, OURS=THEIRS each."""
    found = {}
    for pair in given:
        ours, sign, theirs = pair.partition("=")
        if not sign or not ours or not theirs:
            raise fail(f"--column {pair}: expected OURS=THEIRS, such as --column brand=manufacturer")
        found[ours] = theirs
    return found


def _show(summary: dict[str, Any]) -> None:
    out.print(
        f"{summary['orders']:,} orders, {summary['lines']:,} lines, {summary['rejected_rows']:,} rejected; "
        f"stock: {summary['stock']}"
    )
    table = Table(box=None, header_style="bold")
    for name in ("offer", "in window", "qualified", "near miss", "granted", "units", "declined", "exhausted"):
        table.add_column(name, justify="left" if name in ("offer", "declined", "exhausted") else "right")
    for name, offer in summary["offers"].items():
        declined = ", ".join(f"{reason} {n:,}" for reason, n in offer["declined"].items())
        numbers = [f"{offer[k]:,}" for k in ("in_window", "qualified", "near_miss", "granted", "granted_units")]
        table.add_row(name, *numbers, declined, offer["exhausted_at"] or "")
    out.print(table)
    states = ", ".join(f"{n:,} {state.replace('_', ' ')}" for state, n in summary["tickets"].items())
    out.print(f"tickets: {states or 'none'}")
    out.print(f"canonical sha256: {summary['canonical_sha256']}")
