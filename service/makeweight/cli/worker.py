"""``makeweight worker``: one process of the distributed service."""

from pathlib import Path
from typing import Annotated

import typer

from makeweight.adapters.kafka.administration import KafkaProblem
from makeweight.adapters.telemetry.logs import configure, for_libraries
from makeweight.bootstrap import tune_collector, wall_clock
from makeweight.cli.console import UNAVAILABLE, fail, read_settings

HELP = """Run a worker of the distributed service: orders in from Kafka, tickets out to it.

As many as there are partitions may run; they share the work, and take over from one that dies. SIGTERM ends the batch
in flight, commits and leaves. /metrics and /health are served at --host and --port.

[bold]Examples[/bold]

  makeweight worker --kafka broker:9092 --state worker-1-cache --worker worker-1

  MAKEWEIGHT_KAFKA=broker:9092 makeweight worker --port 8421
"""


def worker(
    kafka: Annotated[str | None, typer.Option("--kafka", help="Broker addresses, host:port and commas.")] = None,
    state: Annotated[Path | None, typer.Option(help="Directory of this worker's caches; they may be lost.")] = None,
    name: Annotated[str | None, typer.Option("--worker", help="Stable name: it gets its partitions back.")] = None,
    host: Annotated[str | None, typer.Option(help="Address of /metrics and /health.")] = None,
    port: Annotated[int | None, typer.Option(help="Port of /metrics and /health.")] = None,
) -> None:
    """Run a worker."""
    from makeweight.bootstrap.worker import Distributed  # noqa: PLC0415 - Faust loads slowly, and only a worker needs it

    settings = read_settings(kafka=kafka, state=state, worker=name, host=host, port=port)
    try:
        configure(settings.log_level)
        service = Distributed(settings, wall_clock)
    except KafkaProblem as error:
        raise fail(str(error), UNAVAILABLE) from None
    except ValueError as error:
        raise fail(str(error)) from None
    tune_collector()
    raise typer.Exit(service.worker.run(settings.log_level, for_libraries(settings.log_level)))
