"""Pages that are printed: plain HTML and PDF of tickets as their orders stand, made when they are asked for."""

from collections.abc import Sequence
from html import escape
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Response
from starlette.responses import HTMLResponse, PlainTextResponse

from makeweight.adapters.documents import sheet_html, sheet_pdf
from makeweight.adapters.local.reading import Reader
from makeweight.planning.printing import NoSuchTicket, order_of, sheet_of
from makeweight.planning.sheet import Sheet, totals

MAX_TICKETS = 200  # to a print
Tickets = Annotated[list[str], Query(alias="ticket")]


def routes(reader: Reader) -> APIRouter:
    """``/print`` and ``/print.pdf``, of every `ticket` in the query."""
    router = APIRouter()

    @router.get("/print")
    def page(tickets: Tickets = []) -> Response:  # noqa: B006 - FastAPI copies it
        """The tickets as a page to print."""
        found = _found(reader, tickets)
        if isinstance(found, Response):
            return found
        return HTMLResponse(sheet_html.page(found, _title(found), _above(found)))

    @router.get("/print.pdf")
    def pdf(tickets: Tickets = []) -> Response:  # noqa: B006 - as above
        """The tickets as one PDF."""
        found = _found(reader, tickets)
        if isinstance(found, Response):
            return found
        headers = {"content-disposition": 'inline; filename="tickets.pdf"'}
        return Response(sheet_pdf.document(found, _title(found)), media_type="application/pdf", headers=headers)

    return router


def _found(reader: Reader, tickets: Sequence[str]) -> list[Sheet] | Response:
    """The sheets, or the answer that says what is wrong with what was asked for."""
    if not tickets:
        return PlainTextResponse("No ticket is selected: go back and select some.", 400)
    if len(tickets) > MAX_TICKETS:
        return PlainTextResponse(f"{len(tickets)} tickets are too many for one print: {MAX_TICKETS} at most.", 400)
    try:
        return [sheet_of(one, reader.order(order_of(one))[0]) for one in dict.fromkeys(tickets)]
    except NoSuchTicket as error:
        return PlainTextResponse(str(error), 404)


def _title(sheets: Sequence[Sheet]) -> str:
    return f"Pick ticket {sheets[0].ticket}" if len(sheets) == 1 else f"{len(sheets)} pick tickets"


def _above(sheets: Sequence[Sheet]) -> str:
    """What the screen shows above the first sheet, and no printer."""
    query = escape(urlencode([("ticket", one.ticket) for one in sheets]))
    gifts = ", ".join(f"{units} x {escape(title)}" for _, title, units in totals(sheets))
    told = f"<p>Gifts to fetch: {gifts}.</p>" if gifts else ""
    stopped = [one.ticket for one in sheets if one.banner.weight == "stop"]
    if stopped:
        told += f"<p><strong>Not to be picked: {escape(', '.join(stopped))}.</strong></p>"
    return (
        f'<nav class="unprinted" aria-label="Printing"><a href="/tickets">Tickets</a> '
        f'<a href="/print.pdf?{query}">PDF</a> <button type="button" onclick="print()">Print</button>{told}</nav>\n'
    )
