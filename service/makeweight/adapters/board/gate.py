"""Who may see a board that has a token: whoever shows it once, in a form, or with each request as a bearer token.

The form sets a cookie that only this board reads; it holds a keyed hash of the token, not the token.
"""

import hmac
from html import escape
from importlib.resources import files
from urllib.parse import parse_qs

from starlette.requests import HTTPConnection, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

COOKIE = "makeweight-board"
FORM = "/token"
MAX_FORM_BYTES = 4_096
DAY_SECONDS = 86_400


class Gate:
    """In front of an application: lets through who has shown the token."""

    def __init__(self, app: ASGIApp, token: str) -> None:
        self._app, self._token = app, token.encode()
        self._pass = hmac.new(self._token, b"makeweight board", "sha256").hexdigest()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request or a socket through, or ask for the token."""
        if scope["type"] == "lifespan" or self._knows(HTTPConnection(scope)):
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
            kind.casefold() == "bearer" and hmac.compare_digest(bearer.strip().encode(), self._token)
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
