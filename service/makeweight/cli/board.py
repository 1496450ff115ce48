"""``makeweight board``: live pages for people who watch."""

from datetime import UTC
from importlib import import_module
from pathlib import Path
from typing import Annotated

import typer

from makeweight.adapters.documents.files import FileErrors
from makeweight.adapters.documents.profiles import read_profile
from makeweight.adapters.hosting import Clock
from makeweight.adapters.telemetry.logs import configure, logger
from makeweight.bootstrap import wall_clock
from makeweight.cli.console import UNAVAILABLE, extra_missing, fail, instant, read_settings
from makeweight.cli.reach import Kafka, State, reaching

HELP = """Serve a board in the browser: offers, exceptions, orders, and tickets to print.

It reads the service's database and writes nothing to it but changes; on Kafka it keeps a copy of the topics and reads
that. It asks for no login and listens on this machine only, unless --host says otherwise; with MAKEWEIGHT_TOKEN set it
asks for that token once. What a change of an offer would come to can be seen on it; with --changes it can be published
from it too.

[bold]Examples[/bold]

  makeweight board --state shop-state

  makeweight board --state shop-state --host 0.0.0.0 --port 8430   (set MAKEWEIGHT_TOKEN first)

  makeweight board --kafka broker:9092 --copy board-copy --profile usual-week.json

  makeweight board --state shop-state --changes   (whoever sees the board may publish changes)

  makeweight board --state build/demo --at newest   (a day that is over, as at its last event)
"""
PORT = 8430


def board(
    state: State = None,
    host: Annotated[str | None, typer.Option(help="Address to listen on.")] = None,
    port: Annotated[
        int | None, typer.Option(min=0, max=65535, help=f"Port to listen on, {PORT} unless set; 0 takes a free one.")
    ] = None,
    kafka: Kafka = None,
    copy: Annotated[
        Path | None, typer.Option(help="On Kafka: directory in which the board keeps its copy of the topics.")
    ] = None,
    profile: Annotated[
        Path | None, typer.Option(help="How demand runs through a week, as `makeweight profile` learnt it.")
    ] = None,
    changes: Annotated[
        bool,
        typer.Option("--changes", help="Let changes be published from the board; needs a token, or loopback alone."),
    ] = False,
    at: Annotated[
        str | None, typer.Option("--at", help="'newest', or an instant to start the clock from (RFC 3339).")
    ] = None,
) -> None:
    """Serve the board."""
    clock = _clock(at) if at else wall_clock
    settings = read_settings(state=state or copy, host=host, port=port, kafka=kafka)
    try:
        learnt = read_profile(profile).profile if profile is not None else None
    except FileErrors as error:
        raise fail(str(error)) from None
    with reaching(state, kafka) as reached:
        configure(settings.log_level)
        # The setting's own default is the service's port, and both may run on one machine.
        at_port = settings.port if "port" in settings.model_fields_set else PORT
        try:
            composed = import_module("makeweight.bootstrap.board")  # the extra is loaded by this command alone
        except ModuleNotFoundError as error:
            raise extra_missing(error) from None
        try:
            composed.run_board(settings, at_port, _tell, clock, learnt, on_kafka=reached.on_kafka, changes=changes)
        except composed.OpenToAll as error:
            raise fail(str(error)) from None
        except OSError as error:
            text = f"can't listen on {settings.host}:{at_port}: {error.strerror or error}"
            raise fail(text, UNAVAILABLE) from None


def _tell(host: str, port: int) -> None:
    logger().info("listening", host=host, port=port)


def _clock(at: str) -> Clock | None:
    """A clock that runs on from an instant; None for that of the newest event."""
    if at == "newest":
        return None
    start = instant("--at", at, "'newest', or ")
    began = wall_clock()
    return lambda: start.astimezone(UTC) + (wall_clock() - began)
