"""``makeweight publish``: campaigns and stock onto the service."""

from pathlib import Path
from typing import Annotated

import typer

from makeweight import bootstrap
from makeweight.adapters.documents.files import FileErrors
from makeweight.adapters.kafka.administration import KafkaProblem
from makeweight.adapters.local.database import DatabaseError
from makeweight.bootstrap import kafka as distributed
from makeweight.cli.console import UNAVAILABLE, err, fail, out, read_settings, say_json

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
    state: Annotated[Path | None, typer.Option(help="Directory of the service's database.")] = None,
    kafka: Annotated[str | None, typer.Option("--kafka", help="Brokers of the distributed service.")] = None,
    json: Annotated[bool, typer.Option("--json", help="What was done, as JSON on stdout.")] = False,
) -> None:
    """Check campaigns and stock, and put them on the service."""
    if not campaigns and stock is None:
        raise fail("name a campaign file, or --stock FILE")
    settings = read_settings(state=state, kafka=kafka)
    try:
        if settings.kafka and state is None:
            done, rows = distributed.publish_files(settings, campaigns or [], stock, bootstrap.wall_clock)
        else:
            done, rows = bootstrap.publish_files(settings, campaigns or [], stock)
    except FileErrors as error:
        raise fail(str(error)) from None
    except (DatabaseError, KafkaProblem) as error:
        raise fail(str(error), UNAVAILABLE) from None
    if json:
        say_json({"campaigns": done, "stock_rows": rows})
        return
    for one in done:
        change = f"in force from {one.effective_at}" if one.changed else "published before, unchanged"
        out.print(f"{one.campaign} revision {one.revision}: {change}", markup=False)
    if stock is not None:
        out.print(f"{rows} rows of stock handed to the ledger; rows that were sent before change nothing")
    where = f"state: {settings.state}" if state is not None or not settings.kafka else f"kafka: {settings.kafka}"
    err.print(where, style="dim", markup=False)
