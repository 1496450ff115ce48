"""HTTP in and out: CloudEvents in, tickets by cursor out, metrics and health beside them.

POST /events: one event in binary or structured mode, or a batch. The answer comes after the commit: 200 with what
became of each event. GET /tickets?after=CURSOR&limit=N: tickets said after a position. GET /metrics, GET /health.
Errors are problem details (RFC 9457).
"""

import asyncio
import hmac
from collections.abc import Awaitable, Callable
from concurrent.futures import Future

from aiohttp import web
from aiohttp.typedefs import Middleware

from makeweight.adapters.hosting import Incoming
from makeweight.adapters.local.host import Receipt
from makeweight.adapters.local.intake import NotTaken
from makeweight.contracts.codec import dumps, not_carried, parse
from makeweight.contracts.events import Envelope, kind_of, order_named, read_attributes, read_data, read_structured
from makeweight.contracts.orders import digest
from makeweight.contracts.problems import WireError
from makeweight.domain.values import value

MAX_BODY_BYTES = 4_000_000
MAX_BATCH = 1_000  # events of one request
MAX_TICKETS = 1_000  # of one answer
MAX_CURSOR = 2**63 - 1  # what the database counts to
STRUCTURED, BATCH = "application/cloudevents+json", "application/cloudevents-batch+json"
Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


@value
class Ports:
    """What the endpoint needs of the service."""

    submit: Callable[[list[Incoming]], "Future[list[Receipt]]"]
    tickets_after: Callable[[int, int], list[tuple[int, bytes]]]
    exposition: Callable[[], tuple[bytes, str]]
    healthy: Callable[[], str | None]
    token: str | None = None


def problem(status: int, title: str, detail: str, **more: object) -> web.Response:
    """Problem details."""
    body = {"type": "about:blank", "title": title, "status": status, "detail": detail, **more}
    return web.Response(status=status, body=dumps(body), content_type="application/problem+json")


def incoming(raw: bytes, read: Callable[[], Envelope]) -> Incoming:
    """An event as the host takes it; one that can't be read is handed on as such, so that its bytes are kept."""
    try:
        envelope = read()
    except WireError as error:
        return Incoming("orders", order_named(raw), "http", "", raw, error=error)
    kind = kind_of(envelope)
    try:
        body = read_data(envelope)
        known_by = digest(body)
    except WireError as error:
        return Incoming(
            kind, order_named(envelope.data, envelope.subject), envelope.source, envelope.id, raw, error=error
        )
    return Incoming(kind, body.order, envelope.source, envelope.id, envelope.data, body, known_by)


def application(ports: Ports) -> web.Application:
    """The endpoint as an application."""
    app = web.Application(client_max_size=MAX_BODY_BYTES, middlewares=[_guard(ports.token)])
    app.add_routes(
        [
            web.post("/events", _Events(ports).post),
            web.get("/tickets", _Tickets(ports).get),
            web.get("/metrics", _Status(ports).metrics),
            web.get("/health", _Status(ports).health),
        ]
    )
    return app


def _guard(token: str | None) -> Middleware:
    @web.middleware
    async def guard(request: web.Request, handler: Handler) -> web.StreamResponse:
        if token is not None and request.path in ("/events", "/tickets"):
            given = request.headers.get("Authorization", "")
            # A header may hold any bytes; those that are no text come as surrogates.
            if not hmac.compare_digest(given.encode(errors="surrogateescape"), f"Bearer {token}".encode()):
                return problem(401, "Unauthorized", "send the service's token as `Authorization: Bearer …`")
        try:
            return await handler(request)
        except web.HTTPException as error:
            return problem(error.status, error.reason, error.text or error.reason)

    return guard


class _Events:
    def __init__(self, ports: Ports) -> None:
        self._ports = ports

    async def post(self, request: web.Request) -> web.Response:
        raw = await request.read()
        try:
            events = read_events(request, raw)
        except WireError as error:
            # The request as a whole can't be taken apart: its bytes are kept all the same.
            events = [Incoming("orders", "", "http", "", raw, error=error)]
        try:
            receipts = await asyncio.wrap_future(self._ports.submit(events))
        except NotTaken as error:
            response = problem(503, "Busy", str(error))
            response.headers["Retry-After"] = "1"
            return response
        return _answer(receipts)


def read_events(request: web.Request, raw: bytes) -> list[Incoming]:
    """The events of a request; ``WireError`` where it can't be taken apart into events."""
    if request.content_type == BATCH:
        parsed = parse(raw)
        if not isinstance(parsed, list) or len(parsed) > MAX_BATCH:
            raise WireError("envelope", f"expected a JSON array of at most {MAX_BATCH} events")
        try:
            bodies = [dumps(item) for item in parsed]
        except TypeError as error:
            raise not_carried(error) from None
        return [incoming(body, lambda body=body: read_structured(body)) for body in bodies]  # type: ignore[misc]
    if request.content_type == STRUCTURED:
        return [incoming(raw, lambda: read_structured(raw))]
    attributes = {name[3:].lower(): text for name, text in request.headers.items() if name.lower().startswith("ce-")}
    return [incoming(raw, lambda: read_attributes(attributes, raw))]


def _answer(receipts: list[Receipt]) -> web.Response:
    if len(receipts) == 1 and receipts[0].result in ("rejected", "conflict"):
        one = receipts[0]
        conflict = one.result == "conflict"
        return problem(409 if conflict else 422, one.result.capitalize(), one.sentence, code=one.code)
    return web.Response(body=dumps({"events": receipts}), content_type="application/json")


class _Tickets:
    def __init__(self, ports: Ports) -> None:
        self._ports = ports

    async def get(self, request: web.Request) -> web.Response:
        try:
            after, limit = int(request.query.get("after", "0")), int(request.query.get("limit", "100"))
        except ValueError:
            return problem(400, "Bad Request", "`after` and `limit` are whole numbers: /tickets?after=0&limit=100")
        if not 0 <= after <= MAX_CURSOR or not 1 <= limit <= MAX_TICKETS:
            return problem(400, "Bad Request", f"`after` is the last answer's cursor, `limit` from 1 to {MAX_TICKETS}")
        rows = await asyncio.to_thread(self._ports.tickets_after, after, limit)
        cursor = rows[-1][0] if rows else after
        body = b'{"cursor":%d,"tickets":[%s]}' % (cursor, b",".join(ticket for _, ticket in rows))
        return web.Response(body=body, content_type="application/json")


class _Status:
    def __init__(self, ports: Ports) -> None:
        self._ports = ports

    async def metrics(self, _: web.Request) -> web.Response:
        body, content_type = await asyncio.to_thread(self._ports.exposition)
        return web.Response(body=body, headers={"Content-Type": content_type})

    async def health(self, _: web.Request) -> web.Response:
        trouble = self._ports.healthy()
        if trouble is not None:
            return problem(503, "Not healthy", trouble)
        return web.Response(body=dumps({"status": "ok"}), content_type="application/json")
