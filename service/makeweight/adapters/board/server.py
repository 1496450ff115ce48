"""Serves the board: pages, prints and the pulse in one process of its own, beside the service."""

import asyncio
import contextlib
import hashlib
import signal
import socket
from collections.abc import AsyncIterator, Callable
from importlib.resources import files

import uvicorn
from fastapi import FastAPI
from nicegui import ui
from prometheus_client import CollectorRegistry
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp

from makeweight.adapters.board.changes import ChangesPage, Changing
from makeweight.adapters.board.gate import Gate, OwnPages
from makeweight.adapters.board.pages import Board
from makeweight.adapters.board.prints import routes
from makeweight.adapters.board.pulse import Pulse
from makeweight.adapters.board.telling import watched
from makeweight.adapters.local.reading import Reader
from makeweight.adapters.telemetry.board_metrics import BoardMetrics

RECONNECT_SECONDS = 10.0
STOP_SECONDS = 3


def application(pulse: Pulse, reader: Reader, changing: Changing, token: str | None) -> ASGIApp:
    """The board as an application. Makes pages of NiceGUI, of which a process has one set."""

    @contextlib.asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        beating = asyncio.create_task(pulse.run())
        yield
        beating.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await beating

    app = FastAPI(lifespan=lifespan, docs_url=None, redoc_url=None, openapi_url=None)
    app.include_router(routes(reader))
    css = files("makeweight.adapters.board").joinpath("board.css").read_bytes()
    version = hashlib.sha256(css).hexdigest()[:12]

    @app.get("/board.css")
    def style() -> Response:
        """The board's own style; its address changes with it."""
        return Response(css, media_type="text/css", headers={"cache-control": "max-age=31536000, immutable"})

    @app.get("/health")
    def health() -> Response:
        """Whether the database can be read."""
        problem = pulse.now.problem
        return PlainTextResponse(problem or "ok", 503 if problem else 200)

    registry = CollectorRegistry()
    registry.register(BoardMetrics(lambda: watched(pulse)))

    @app.get("/metrics")
    def metrics() -> Response:
        """What the pages show, for Prometheus."""
        body: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
        return Response(body, media_type=CONTENT_TYPE_LATEST)

    ui.add_head_html(f'<link rel="stylesheet" href="/board.css?{version}">', shared=True)
    Board(pulse, reader).attach()
    ChangesPage(pulse, reader, changing).attach()
    ui.run_with(
        app,
        title="Makeweight",
        dark=None,
        language="en-GB",
        tailwind=False,
        reconnect_timeout=RECONNECT_SECONDS,
        binding_refresh_interval=None,
        show_welcome_message=False,
        favicon=_ICON,
    )
    return OwnPages(Gate(app, token) if token else app, here_only=changing.publishes and not token)


_ICON = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 24 24"><rect width="24" height="24" rx="4" fill="#0d4f52"/>'
    '<path d="M5 18h14M8 18l1-8h6l1 8M10.5 10a1.5 1.5 0 1 1 3 0" fill="none" stroke="#fff" stroke-width="2"/></svg>'
)


def serve(app: ASGIApp, host: str, port: int, listening: Callable[[str, int], None]) -> None:
    """Serve until the process is told to end. ``listening`` is told the address; ``OSError`` if it can't be had."""
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, timeout_graceful_shutdown=STOP_SECONDS, server_header=False
    )
    server = _Told(config, listening)
    # Once it has ended, the server raises the signal that ended it once more: by then there is nothing left to end.
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: None)
    with socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET) as taken:
        server.run([taken])


class _Told(uvicorn.Server):
    """A server that says where it listens once it does."""

    def __init__(self, config: uvicorn.Config, listening: Callable[[str, int], None]) -> None:
        super().__init__(config)
        self._listening = listening

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start, then say so."""
        await super().startup(sockets)
        if self.started and sockets:
            host, port = sockets[0].getsockname()[:2]
            self._listening(host, port)
