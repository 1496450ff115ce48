"""``makeweight profile``: how demand runs through a week, learnt from past orders."""

from datetime import timedelta
from math import sqrt
from pathlib import Path
from typing import Annotated

import typer

from makeweight.adapters.documents.profiles import write_profile
from makeweight.adapters.documents.table import Reading, Table
from makeweight.cli.console import REFUSED, err, fail, out
from makeweight.cli.replay import read_columns
from makeweight.domain.moments import zone_of
from makeweight.domain.money import digits
from makeweight.insight.profile import HOURS_A_DAY
from makeweight.planning.learnt import Asked, Learnt, learn_from

HELP = """Learn from past orders how demand runs through a week, for the run-out clock.

The profile has a weight for each hour of the week in the zone. Say what the offer asks for, so that it is learnt from
orders like those that will come; few weeks of history are drawn towards 'every hour alike'.

[bold]Examples[/bold]

  makeweight profile --lines orders.csv --zone Europe/Dublin --at-least 5000 --out profile.json

  makeweight profile --lines orders.parquet --zone Europe/Dublin --brand Inkmoor --out inkmoor.json
"""
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def profile(
    lines: Annotated[Path, typer.Option(help="A table of order lines: .csv or .parquet.")],
    zone: Annotated[str, typer.Option(help="IANA zone of the week's hours, and of times that have no offset.")],
    to: Annotated[Path, typer.Option("--out", help="Write the profile here, as JSON.")],
    at_least: Annotated[int, typer.Option(help="Orders of this value or more, in minor units.")] = 0,
    over: Annotated[int, typer.Option(help="Orders over this value, in minor units.")] = 0,
    brand: Annotated[list[str] | None, typer.Option(help="Only goods of this brand; may be given again.")] = None,
    currency: Annotated[str, typer.Option(help="ISO 4217 currency of the table.")] = "EUR",
    column: Annotated[list[str] | None, typer.Option(help="OURS=THEIRS: another name of a column.")] = None,
) -> None:
    """Learn from past orders how demand runs through a week, for the run-out clock."""
    try:
        digits(currency)
        table = Table(lines, Reading(read_columns(column or []), zone_of(zone), currency, ""))
        learnt = learn_from(table.orders(), Asked(tuple(brand or ()), max(at_least, over + 1)), zone)
        write_profile(to, learnt)
    except ValueError as error:  # a fault of the file is one too
        raise fail(str(error)) from None
    for line in table.told:
        err.print(line, markup=False)
    _show(learnt)
    if table.rejected:
        raise typer.Exit(REFUSED)


def _show(learnt: Learnt) -> None:
    weights = learnt.profile.weights
    busiest = max(range(len(weights)), key=weights.__getitem__)
    day, hour = divmod(busiest, HOURS_A_DAY)
    weeks = (learnt.end - learnt.start) / timedelta(weeks=1)
    out.print(
        f"{learnt.orders:,} orders in {weeks:.1f} weeks; the busiest hour is {WEEKDAYS[day]} {hour:02}:00, "
        f"{weights[busiest]:.1f} times the average; days differ by {sqrt(learnt.profile.day_variance):.0%} beside that"
    )
