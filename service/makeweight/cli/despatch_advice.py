"""``makeweight despatch-advice``: a ticket that went out, for carriers and partners."""

import sys
from typing import Annotated

import typer

from makeweight.bootstrap import despatch
from makeweight.cli.console import REFUSED, fail, progress
from makeweight.cli.reach import Kafka, State, reaching
from makeweight.planning.parcel import NotPacked

HELP = """Print a packed ticket as a DespatchAdvice of UBL 2.1, XML on stdout.

Every line of the order and every gift is a line; what was short is on back order, with why.

[bold]Examples[/bold]

  makeweight despatch-advice A-1001/main/1 --state shop-state > advice.xml

  makeweight despatch-advice A-1001/main/1 --kafka broker:9092
"""


def despatch_advice(
    ticket: Annotated[str, typer.Argument(help="The ticket's id: ORDER/SITE/NUMBER.")],
    state: State = None,
    kafka: Kafka = None,
) -> None:
    """Print a packed ticket as a DespatchAdvice of UBL 2.1."""
    try:
        with reaching(state, kafka) as reached:
            if reached.on_kafka:
                with progress("entries read") as told:
                    document = despatch.distributed(reached.settings, ticket, told)
            else:
                document = despatch.embedded(reached.settings, ticket)
    except (NotPacked, ValueError) as error:
        raise fail(str(error), REFUSED) from None
    sys.stdout.write(document.decode())
