"""``makeweight topics``: the topics of the distributed service."""

from typing import Annotated

import typer
from rich.table import Table

from makeweight.adapters.kafka.administration import KafkaProblem, Planned
from makeweight.bootstrap.kafka import administration
from makeweight.cli.console import REFUSED, UNAVAILABLE, err, fail, out, read_settings, say_json

HELP = "Compare the topics with the catalogue, make them and put them right."
PLAN_HELP = """Show what each topic needs; changes nothing.

Leaves with 1 if a topic has another partition count than is set: keys would move, so it is never changed.

[bold]Examples[/bold]

  makeweight topics plan --kafka broker:9092

  MAKEWEIGHT_PARTITIONS_ORDER=24 makeweight topics plan --json
"""
APPLY_HELP = """Make the topics that are missing, and set what differs.

[bold]Examples[/bold]

  makeweight topics apply --kafka broker:9092

  MAKEWEIGHT_REPLICATION=1 makeweight topics apply       (a single broker, for a trial)
"""
VERBS = {"keep": "as it should be", "make": "to be made", "set": "settings to change", "refuse": "can't be changed"}
DONE = {"keep": "as it was", "make": "made", "set": "settings changed"}

topics = typer.Typer(no_args_is_help=True, help=HELP, rich_markup_mode="rich")
Kafka = Annotated[str | None, typer.Option("--kafka", help="Broker addresses, host:port and commas.")]
Json = Annotated[bool, typer.Option("--json", help="As JSON on stdout.")]


@topics.command(help=PLAN_HELP)
def plan(kafka: Kafka = None, json: Json = False) -> None:
    """Show what each topic needs."""
    settings = read_settings(kafka=kafka)
    try:
        planned = administration(settings).plan()
    except KafkaProblem as error:
        raise fail(str(error), UNAVAILABLE) from None
    _show(planned, VERBS, json=json)
    if settings.replication == 1:
        err.print("one copy of each record: the loss of that broker's disk loses orders", style="yellow")
    if any(p.action == "refuse" for p in planned):
        raise typer.Exit(REFUSED)


@topics.command(help=APPLY_HELP)
def apply(kafka: Kafka = None, json: Json = False) -> None:
    """Make and set the topics."""
    settings = read_settings(kafka=kafka)
    try:
        planned = administration(settings).apply()
    except KafkaProblem as error:
        raise fail(str(error), UNAVAILABLE) from None
    _show(planned, DONE, json=json)


def _show(planned: list[Planned], words: dict[str, str], *, json: bool) -> None:
    if json:
        say_json(planned)
        return
    table = Table(box=None, header_style="bold", padding=(0, 2, 0, 0))
    for name in ("topic", "partitions", "", "settings"):
        table.add_column(name, justify="right" if name == "partitions" else "left")
    for one in planned:
        told = one.why or ", ".join(f"{name}={kept}" for name, kept in one.settings.items())
        table.add_row(one.topic, str(one.partitions), words[one.action], told)
    out.print(table)
