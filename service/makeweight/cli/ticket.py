"""``makeweight ticket``: a pick ticket on paper."""

from pathlib import Path
from typing import Annotated

import typer

from makeweight.bootstrap import printing
from makeweight.cli.console import REFUSED, err, extra_missing, fail, progress
from makeweight.cli.reach import Kafka, State, reaching
from makeweight.planning.printing import NoSuchTicket

HELP = """Print a pick ticket as it stands: as PDF for a printer, or as an HTML page.

Barcodes of the ticket and of what is to be picked, gifts and their cautions, customs lines; or 'do not pick', and why.

[bold]Examples[/bold]

  makeweight ticket A-1001/main/1 --state shop-state --pdf ticket.pdf

  makeweight ticket A-1001/main/1 --kafka broker:9092 --html ticket.html
"""


def ticket(
    ticket: Annotated[str, typer.Argument(help="The ticket's id: ORDER/SITE/NUMBER.")],
    state: State = None,
    kafka: Kafka = None,
    pdf: Annotated[Path | None, typer.Option(help="File to write the PDF to.")] = None,
    html: Annotated[Path | None, typer.Option(help="File to write the HTML page to.")] = None,
) -> None:
    """Print a pick ticket."""
    if pdf is None and html is None:
        raise fail("say where to: --pdf FILE, --html FILE, or both")
    try:
        with reaching(state, kafka) as reached:
            if reached.on_kafka:
                with progress("entries read") as told:
                    sheet = printing.distributed(reached.settings, ticket, told)
            else:
                sheet = printing.embedded(reached.settings, ticket)
    except NoSuchTicket as error:
        raise fail(str(error), REFUSED) from None
    try:
        made = [(path, make(sheet)) for path, make in ((pdf, printing.as_pdf), (html, printing.as_html)) if path]
        for path, body in made:
            path.write_bytes(body)
    except ModuleNotFoundError as error:
        raise extra_missing(error) from None
    except OSError as error:
        raise fail(f"{error.filename} can't be written: {error.strerror}") from None
    if sheet.banner.weight == "stop":
        err.print(f"{sheet.banner.says}: {sheet.banner.why}", markup=False)
