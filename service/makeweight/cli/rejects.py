"""``makeweight rejects``: what could not be processed, and why."""

from typing import Annotated

import typer

from makeweight import bootstrap
from makeweight.bootstrap import kafka as distributed
from makeweight.cli.console import err, out, say_json
from makeweight.cli.reach import Kafka, State, reaching
from makeweight.planning.rejects import as_json

HELP = """Show what could not be processed and was put aside, the newest first, and why.

An order that was put aside gets no gift: mend what its sentence says and send it again. With --json the bytes are there
too, as they came.

[bold]Examples[/bold]

  makeweight rejects --state shop-state

  makeweight rejects --key A-1001 --kafka broker:9092 --json
"""


def rejects(
    key: Annotated[str | None, typer.Option(help="Of this order or offer alone.")] = None,
    limit: Annotated[int, typer.Option(min=1, help="How many at most.")] = 20,
    state: State = None,
    kafka: Kafka = None,
    json: Annotated[bool, typer.Option("--json", help="A list as JSON on stdout.")] = False,
) -> None:
    """Show what was put aside."""
    with reaching(state, kafka) as reached:
        home = distributed if reached.on_kafka else bootstrap
        found = home.rejects(reached.settings, limit + 1, key)
    shown = found[:limit]
    if json:
        say_json([as_json(one) for one in shown])
    for one in [] if json else shown:
        about = f"{one.topic}, {one.key}" if one.key else one.topic
        out.print(_plain(f"{one.at.isoformat(timespec='seconds')}  {about}"), markup=False, emoji=False)
        out.print(_plain(f"    {one.why}"), markup=False, emoji=False)
    if not (shown or json):
        out.print("nothing was put aside")
    if len(found) > limit:
        err.print(f"older ones are not shown; --limit {10 * limit} shows more", style="dim")
    err.print(reached.where, style="dim", markup=False)


def _plain(text: str) -> str:
    """Without what a terminal would obey: a key may hold anything."""
    return "".join(one if one.isprintable() else "?" for one in text)
