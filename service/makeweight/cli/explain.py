"""``makeweight explain``: the story of one order."""

from typing import Annotated, Any

import typer
from rich.table import Table

from makeweight import bootstrap
from makeweight.bootstrap import kafka as distributed
from makeweight.cli.console import REFUSED, fail, out, progress, say_json
from makeweight.cli.reach import Kafka, State, reaching
from makeweight.planning.rejects import ASIDE_OF_AN_ORDER, PutAside, unseen

HELP = """Tell what happened to an order, and for every offer what came of it and why.

[bold]Examples[/bold]

  makeweight explain A-1001 --state shop-state

  makeweight explain A-1001 --kafka broker:9092 --json
"""


def explain(
    order: Annotated[str, typer.Argument(help="The order id.")],
    state: State = None,
    kafka: Kafka = None,
    json: Annotated[bool, typer.Option("--json", help="The story as JSON on stdout.")] = False,
) -> None:
    """Tell what happened to an order."""
    aside: list[PutAside] = []
    with reaching(state, kafka) as reached:
        if reached.on_kafka:
            with progress("entries read") as told:
                story = distributed.explain(reached.settings, order, told)
        else:
            story = bootstrap.explain(reached.settings, order)
        if story is None:
            home = distributed if reached.on_kafka else bootstrap
            aside = home.rejects(reached.settings, ASIDE_OF_AN_ORDER, order)
    if story is None:
        raise fail(f"{unseen(order, aside)}; {reached.where}", REFUSED)
    if json:
        say_json(story)
    else:
        show(story)


def show(story: dict[str, Any]) -> None:
    """Print a story for people."""
    out.print(f"[bold]{story['order']}[/bold]  revision {story['revision']}, {story['status']}")
    out.print(f"placed {story['placed_at']}, first seen {story['first_seen_at']}", style="dim")
    out.print()
    for event in story["events"]:
        out.print(f"  {event['at']}  {event['what']}", markup=False)
    out.print()
    table = Table(box=None, header_style="bold", padding=(0, 2, 0, 0))
    for name in ("offer", "outcome", "why"):
        table.add_column(name)
    for offer in story["offers"]:
        says = " ".join([offer["says"], offer["now"]] if "now" in offer else [offer["says"]])
        table.add_row(offer["offer"], offer["outcome"].replace("_", " "), says)
    out.print(table if story["offers"] else "no campaign was in force for it when it was placed")
    out.print()
    for ticket in story["tickets"]:
        gifts = ticket["gifts"]
        named = [f"{g['units']} x {g['gift']}" for g in gifts] if isinstance(gifts, list) else [
            f"{units} x gift of {offer}" for offer, units in gifts.items()
        ]  # fmt: skip
        out.print(f"  ticket {ticket['ticket']}: {ticket['state'].replace('_', ' ')}; {', '.join(named) or 'no gift'}")
    for notice in story["notices"]:
        if notice["amount"]:
            out.print(f"  notice ({notice['kind'].replace('_', ' ')}): {notice['says']}", markup=False)
