"""``makeweight quantity``: how many gifts to order."""

from typing import Annotated

import typer
from rich.table import Table

from makeweight.cli.console import err, extra_missing, fail, out, say_json
from makeweight.domain.money import to_minor
from makeweight.domain.reasons import amount

HELP = """How many gifts to order, from the units that past campaigns of the same kind asked for.

Cheapest is where one more would cost as much left over as it saves missing. What campaigns gave that did not run out is
what they asked for; of one that ran out say what it had with --ran-out, else you learn the stock and not the demand.

[bold]Examples[/bold]

  makeweight quantity 412 388 510 455 --missing 9.00 --leftover 1.60 --currency EUR

  makeweight quantity 412 388 510 455 --ran-out 367 --missing 9.00 --leftover 1.60 --currency EUR
"""
PROBABILITIES = (0.5, 0.75, 0.9, 0.95, 0.99)
BAR = 20  # characters of the dearest quantity's bar


def quantity(
    units: Annotated[
        list[int], typer.Argument(help="Units that each past campaign gave, of those that did not run out.")
    ],
    missing: Annotated[str, typer.Option(help="What a gift too few costs: goodwill, and the parcel that mends it.")],
    leftover: Annotated[
        str, typer.Option(help="What a gift too many costs: its cost, less what it is worth afterwards.")
    ],
    currency: Annotated[str, typer.Option(help="ISO 4217 code of both.")],
    ran_out: Annotated[list[int] | None, typer.Option(help="Units of a past campaign that ran out.")] = None,
    json: Annotated[bool, typer.Option("--json", help="All of it as JSON on stdout.")] = False,
) -> None:
    """Tell how many gifts to order."""
    try:
        from makeweight.insight import ordering  # noqa: PLC0415 - SciPy, which is in the extra `board`
    except ModuleNotFoundError as error:
        raise extra_missing(error) from None
    try:
        few, many = to_minor(missing, currency), to_minor(leftover, currency)
        asked = ordering.asked_by(units, ran_out or [])
        cheapest = ordering.best(asked, few, many)
    except ValueError as error:
        raise fail(str(error)) from None
    quantities = sorted({cheapest, *(asked.within(probability) for probability in PROBABILITIES)})
    levels = [ordering.level(asked, one, few, many) for one in quantities]
    allowing = None if ran_out else ordering.allowing(units, few, many)
    if json:
        say_json({"mean": asked.mean, "cheapest": cheapest, "allowing": allowing, "levels": [vars(x) for x in levels]})
        return
    table = Table(box=None, header_style="bold", padding=(0, 2, 0, 0))
    for name in ("order", "enough", "short", "left", "filled", "cost"):
        table.add_column(name, justify="right")
    table.add_column("")
    dearest = max(one.cost for one in levels)
    for one in levels:
        row = [f"{one.units:,}", f"{one.enough:.1%}", f"{one.short:,.1f}", f"{one.left:,.1f}", f"{one.fill:.1%}"]
        bar = "█" * max(1, round(BAR * one.cost / dearest)) if dearest else ""
        table.add_row(*row, amount(round(one.cost), currency), bar, style="bold" if one.units == cheapest else "")
    out.print(table)
    out.print("enough: for all who earn one; short, left, cost: expected; filled: of the units asked for", style="dim")
    out.print(f"cheapest: order {cheapest:,}; such a campaign asks for {asked.mean:,.0f} on average")
    if allowing is not None:
        out.print(f"allowing for how little {len(units)} campaigns tell: {allowing:,}")
    err.print("for one campaign as large as those were, all its sites together", style="dim")
