"""``makeweight serve``: the embedded service."""

import asyncio
import signal
import sys
from pathlib import Path
from typing import Annotated

import typer
from aiohttp import web

from makeweight.adapters.documents.orders import read_stream
from makeweight.adapters.local.database import DatabaseError
from makeweight.adapters.local.intake import NotTaken
from makeweight.adapters.telemetry.logs import configure, logger
from makeweight.bootstrap import Embedded, tune_collector
from makeweight.cli.console import REFUSED, UNAVAILABLE, err, fail, read_settings
from makeweight.settings import Settings

HELP = """Run the embedded service: events in over HTTP, a folder or standard input; tickets and metrics out.

[bold]Examples[/bold]

  makeweight serve --state shop-state --port 8420

  makeweight serve --inbox incoming        (takes in incoming/*.jsonl as they appear)

  makeweight serve --events - < day.jsonl  (takes in a stream, then leaves)
"""
POLL_SECONDS = 1.0


def serve(
    state: Annotated[Path | None, typer.Option(help="Directory of the service's database.")] = None,
    host: Annotated[str | None, typer.Option(help="Address to listen on.")] = None,
    port: Annotated[int | None, typer.Option(help="Port to listen on; 0 takes a free one.")] = None,
    inbox: Annotated[Path | None, typer.Option(help="Folder watched for *.jsonl files of events.")] = None,
    events: Annotated[str | None, typer.Option(help="'-': take in events from standard input, then leave.")] = None,
) -> None:
    """Run the embedded service."""
    settings = read_settings(state=state, host=host, port=port, inbox=inbox)
    if events not in (None, "-"):
        raise fail(f"--events {events}: only '-' (standard input) is known; for files use --inbox")
    try:
        configure(settings.log_level)
        service = Embedded(settings)
    except DatabaseError as error:
        raise fail(str(error), UNAVAILABLE) from None
    except ValueError as error:
        raise fail(str(error)) from None
    tune_collector()
    service.intake.start()
    try:
        if events == "-":
            _take_stream(service)
        else:
            asyncio.run(_run(service, settings))
    except NotTaken as error:
        raise fail(str(error), UNAVAILABLE) from None
    except OSError as error:
        raise fail(f"can't listen on {settings.host}:{settings.port}: {error.strerror}", UNAVAILABLE) from None
    finally:
        service.close()


def _take_stream(service: Embedded) -> None:
    service.take_up()
    results = service.take_lines(read_stream(sys.stdin.buffer, "stdin"), "stdin")
    err.print(", ".join(f"{n:,} {result}" for result, n in sorted(results.items())) or "no events")
    if results.keys() & {"rejected", "conflict"}:
        raise typer.Exit(REFUSED)


async def _run(service: Embedded, settings: Settings) -> None:
    runner = web.AppRunner(service.application(), access_log=None)
    await runner.setup()
    site = web.TCPSite(runner, settings.host, settings.port)
    await site.start()
    address = runner.addresses[0]
    logger().info("listening", host=address[0], port=address[1], state=str(settings.state))
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    while not stop.is_set():
        await asyncio.to_thread(_poll, service, settings)
        try:
            await asyncio.wait_for(stop.wait(), POLL_SECONDS)
        except TimeoutError:
            continue
    logger().info("stopping", waiting=service.intake.waiting)
    await runner.cleanup()


def _poll(service: Embedded, settings: Settings) -> None:
    """Look for work; what can't be done now is told, and tried again at the next look."""
    try:
        service.take_up()
        service.keep_time()
        if settings.inbox is not None:
            service.take_folder(settings.inbox)
    except (NotTaken, OSError) as error:
        logger().error("not_taken", reason=str(error))
