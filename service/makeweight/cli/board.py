"""``makeweight board``: live pages for people who watch."""

from datetime import UTC, datetime
from importlib import import_module
from typing import Annotated

import typer

from makeweight.adapters.hosting import Clock
from makeweight.adapters.telemetry.logs import configure, logger
from makeweight.bootstrap import wall_clock
from makeweight.cli.console import UNAVAILABLE, extra_missing, fail
from makeweight.cli.reach import State, reaching

HELP = """Serve a board in the browser: offers, exceptions, orders, and tickets to print.

It reads the service's database and never writes to it. It asks for no login and listens on this machine only, unless
--host says otherwise; with MAKEWEIGHT_TOKEN set it asks for that token once.

[bold]Examples[/bold]

  makeweight board --state shop-state

  makeweight board --state shop-state --host 0.0.0.0 --port 8430   (set MAKEWEIGHT_TOKEN first)

  makeweight board --state build/demo --at newest   (a day that is over, as at its last event)
"""
PORT = 8430
LOOPBACK = "127.0.0.1"


def board(
    state: State = None,
    host: Annotated[str, typer.Option(help="Address to listen on.")] = LOOPBACK,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port to listen on; 0 takes a free one.")] = PORT,
    at: Annotated[
        str | None, typer.Option("--at", help="'newest', or an instant to start the clock from (RFC 3339).")
    ] = None,
) -> None:
    """Serve the board."""
    clock = _clock(at) if at else wall_clock
    with reaching(state, None) as reached:
        configure(reached.settings.log_level)
        try:
            composed = import_module("makeweight.bootstrap.board")  # the extra is loaded by this command alone
        except ModuleNotFoundError as error:
            raise extra_missing(error) from None
        listens: bool = composed.run_board(
            reached.settings,
            host,
            port,
            lambda address, number: logger().info("listening", host=address, port=number),
            clock,
        )
    if not listens:
        raise fail(f"can't listen on {host}:{port}", UNAVAILABLE)


def _clock(at: str) -> Clock | None:
    """A clock that runs on from an instant; None for that of the newest event."""
    if at == "newest":
        return None
    try:
        start = datetime.fromisoformat(at)
    except ValueError:
        raise _no_instant(at) from None
    if start.tzinfo is None:
        raise _no_instant(at)
    began = wall_clock()
    return lambda: start.astimezone(UTC) + (wall_clock() - began)


def _no_instant(at: str) -> typer.Exit:
    return fail(f"--at {at}: expected 'newest', or an instant such as 2026-11-24T21:00:00Z")
