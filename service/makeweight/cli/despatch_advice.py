"""``makeweight despatch-advice``: a ticket that went out, for carriers and partners."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from makeweight.adapters.kafka.administration import KafkaProblem
from makeweight.adapters.local.database import DatabaseError
from makeweight.bootstrap import despatch
from makeweight.cli.console import REFUSED, UNAVAILABLE, fail, progress, read_settings
from makeweight.planning.parcel import NotPacked

HELP = """Print a packed ticket as a DespatchAdvice of UBL 2.1, XML on stdout.

Every line of the order and every gift is a line; what was short is on back order, with why.

[bold]Examples[/bold]

  makeweight despatch-advice A-1001/main/1 --state shop-state > advice.xml

  makeweight despatch-advice A-1001/main/1 --kafka broker:9092
"""


def despatch_advice(
    ticket: Annotated[str, typer.Argument(help="The ticket's id: ORDER/SITE/NUMBER.")],
    state: Annotated[Path | None, typer.Option(help="Directory of the service's database.")] = None,
    kafka: Annotated[str | None, typer.Option("--kafka", help="Brokers of the distributed service.")] = None,
) -> None:
    """Print a packed ticket as a DespatchAdvice of UBL 2.1."""
    settings = read_settings(state=state, kafka=kafka)
    try:
        if settings.kafka and state is None:
            with progress("entries read") as told:
                document = despatch.distributed(settings, ticket, told)
        else:
            document = despatch.embedded(settings, ticket)
    except (DatabaseError, KafkaProblem) as error:
        raise fail(str(error), UNAVAILABLE) from None
    except (NotPacked, ValueError) as error:
        raise fail(str(error), REFUSED) from None
    sys.stdout.write(document.decode())
