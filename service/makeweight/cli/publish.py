"""``makeweight publish``: campaigns and stock onto the service."""

from pathlib import Path
from typing import Annotated

import typer

from makeweight import bootstrap
from makeweight.adapters.documents.files import FileErrors
from makeweight.bootstrap import kafka as distributed
from makeweight.cli.console import err, fail, out, say_json
from makeweight.cli.reach import Kafka, State, reaching

HELP = """Check campaigns and stock, and put them on the service, whether it is running or not.

The embedded service, or with --kafka the distributed one; nothing is done if any file is wrong. A running service takes
them up within a second; a campaign revision takes effect 10 seconds after it is published, or when it says.

[bold]Examples[/bold]

  makeweight publish ink-week.yaml --stock stock.csv --state shop-state

  makeweight publish ink-week-v2.yaml --kafka broker:9092
"""


def publish(
    campaigns: Annotated[list[Path] | None, typer.Argument(help="Campaign files.")] = None,
    stock: Annotated[Path | None, typer.Option(help="Gift stock as CSV: gift, site, units, offer.")] = None,
    state: State = None,
    kafka: Kafka = None,
    json: Annotated[bool, typer.Option("--json", help="What was done, as JSON on stdout.")] = False,
) -> None:
    """Check campaigns and stock, and put them on the service."""
    if not campaigns and stock is None:
        raise fail("name a campaign file, or --stock FILE")
    try:
        with reaching(state, kafka) as reached:
            if reached.on_kafka:
                done, rows = distributed.publish_files(reached.settings, campaigns or [], stock, bootstrap.wall_clock)
            else:
                done, rows = bootstrap.publish_files(reached.settings, campaigns or [], stock)
    except FileErrors as error:
        raise fail(str(error)) from None
    if json:
        say_json({"campaigns": done, "stock_rows": rows})
        return
    for one in done:
        change = f"in force from {one.effective_at}" if one.changed else "published before, unchanged"
        out.print(f"{one.campaign} revision {one.revision}: {change}", markup=False)
    if stock is not None:
        out.print(f"{rows} rows of stock handed to the ledger; rows that were sent before change nothing")
    for finding in bootstrap.giving_nothing(campaigns or []):
        err.print(f"published, and {finding.about}: {finding.sentence}", style="yellow", markup=False)
    err.print(reached.where, style="dim", markup=False)
