"""Who may see a board, and whose pages may drive it: none but its own.

A board that has a token is seen by whoever shows it once, in a form, or with each request as a bearer token. The form
sets a cookie that only this board reads; it holds a keyed hash of the token, not the token.
"""

import hmac
from html import escape
from importlib.resources import files
from ipaddress import ip_address
from urllib.parse import parse_qs, urlsplit

from starlette.requests import HTTPConnection, Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "makeweight-board"
FORM = "/token"
OPEN = frozenset({"/health", "/metrics"})  # as of the service: no order, ticket or customer is in them
MAX_FORM_BYTES = 4_096
DAY_SECONDS = 86_400


def is_loopback(host: str) -> bool:
    """Whether a host, with or without a port, is this machine and no name that somebody else could point here."""
    name = urlsplit(f"//{host}").hostname or ""
    try:
        return name == "localhost" or ip_address(name).is_loopback
    except ValueError:
        return False


class OwnPages:
    """In front of an application: what a page of another site asks for is refused, and none may frame ours.

    A browser says which site's page asks, on every socket and on every request that may change something (RFC 6454).
    With ``here_only`` the board is asked for by an address of this machine alone: a name of another site that its owner
    points here would be that site to the browser.
    """

    def __init__(self, app: ASGIApp, *, here_only: bool) -> None:
        self._app, self._here_only = app, here_only

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request or a socket through, or refuse it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        connection = HTTPConnection(scope)
        host, origin = connection.headers.get("host", ""), connection.headers.get("origin")
        if self._here_only and not is_loopback(host):
            why = "This board publishes changes and has no token: open it as 127.0.0.1, or set MAKEWEIGHT_TOKEN."
        elif origin is not None and urlsplit(origin).netloc.casefold() != host.casefold():
            why = "Pages of other sites may not drive this board. A proxy in front of it must pass on the Host header."
        else:
            await self._app(scope, receive, _unframed(send))
            return
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
        else:
            await PlainTextResponse(why, 403)(scope, receive, send)


def _unframed(send: Send) -> Send:
    async def said(message: Message) -> None:
        if message["type"] == "http.response.start":
            message["headers"] = [*message.get("headers", ()), (b"content-security-policy", b"frame-ancestors 'none'")]
        await send(message)

    return said


class Gate:
    """In front of an application: lets through who has shown the token."""

    def __init__(self, app: ASGIApp, token: str) -> None:
        self._app, self._token = app, token.encode()
        self._pass = hmac.new(self._token, b"makeweight board", "sha256").hexdigest()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request or a socket through, or ask for the token."""
        if scope["type"] == "lifespan" or scope["path"] in OPEN or self._knows(HTTPConnection(scope)):
            await self._app(scope, receive, send)
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
        else:
            answer = await self._ask(Request(scope, receive))
            await answer(scope, receive, send)

    def _knows(self, connection: HTTPConnection) -> bool:
        shown = connection.cookies.get(COOKIE, "")
        kind, _, bearer = connection.headers.get("authorization", "").partition(" ")
        return hmac.compare_digest(shown.encode(), self._pass.encode()) or (
            kind.casefold() == "bearer" and hmac.compare_digest(bearer.strip().encode("latin-1"), self._token)
        )

    async def _ask(self, request: Request) -> Response:
        if request.url.path != FORM or request.method != "POST":
            return HTMLResponse(_form(""), 401)
        body = b""
        async for chunk in request.stream():
            body += chunk
            if len(body) > MAX_FORM_BYTES:
                return HTMLResponse(_form("That is too long to be the token."), 413)
        shown = parse_qs(body.decode("utf-8", "replace")).get("token", [""])[0]
        if not hmac.compare_digest(shown.encode(), self._token):
            return HTMLResponse(_form("That is not the token."), 401)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(COOKIE, self._pass, max_age=DAY_SECONDS, httponly=True, samesite="strict")
        return answer


def _form(problem: str) -> str:
    css = files("makeweight.adapters.board").joinpath("board.css").read_text("utf-8")
    told = f'<p class="problem" role="alert">{escape(problem)}</p>' if problem else ""
    return (
        f'<!doctype html><html lang="en-GB"><head><meta charset="utf-8"><title>Token - Makeweight</title>'
        f'<meta name="viewport" content="width=device-width, initial-scale=1"><style>{css}</style></head><body>'
        f'<main class="content"><h1>Board</h1><form action="{FORM}" method="post" class="ask">'
        '<label for="token">Token</label><input id="token" name="token" type="password" '
        'autocomplete="current-password" required autofocus><button type="submit">Open</button></form>'
        f"{told}</main></body></html>"
    )
