"""Who may talk to the page: this machine, this browser, this page.

Every request must name a loopback host (against DNS rebinding), every request that changes something must come from the
page itself (Origin), and all but the very first must carry the session's cookie. The first carries a one-time token in
its address, which is then worthless. Answers carry a strict content security policy (W3C CSP 3).
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from urllib.parse import urlsplit

from starlette.datastructures import MutableHeaders
from starlette.requests import HTTPConnection
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_LOOPBACK = {"127.0.0.1", "localhost", "::1"}
_SAFE_METHODS = {"GET", "HEAD"}

SERVED_FILES_POLICY = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:"
"""For files of the job: they may come from anywhere, so they run nothing and fetch nothing."""

HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
        "form-action 'none'; frame-ancestors 'none'; base-uri 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


class Guard:
    """ASGI middleware that refuses what does not come from this machine's own page."""

    def __init__(self, app: ASGIApp, *, token: str, port: int, on_stop: Callable[[], None] = lambda: None) -> None:
        self.on_stop = on_stop
        self._app = app
        self._token: str | None = token
        self._session = secrets.token_urlsafe(32)
        self._port = port
        # Cookies do not tell ports apart: two jobs open at once need two names.
        self._cookie = f"tracewheel-{port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        connection = HTTPConnection(scope)
        refusal = self._refusal(connection, scope)
        if refusal is not None:
            await PlainTextResponse(refusal[1], status_code=refusal[0])(scope, receive, guarded)
        elif self._is_first(connection):
            self._token = None
            response = RedirectResponse("/", status_code=303)
            response.set_cookie(self._cookie, self._session, httponly=True, samesite="strict")
            await response(scope, receive, guarded)
        elif not self._has_session(connection):
            words = "This page needs the address that 'tracewheel open' printed; each address works once."
            await PlainTextResponse(words, status_code=403)(scope, receive, guarded)
        else:
            await self._app(scope, receive, guarded)

    def _refusal(self, connection: HTTPConnection, scope: Scope) -> tuple[int, str] | None:
        hosts = [v for k, v in connection.headers.items() if k == "host"]
        if len(hosts) != 1 or not self._is_own(f"//{hosts[0]}"):
            return 421, "This page is served to this machine only."
        origin = connection.headers.get("origin")
        from_page = origin is not None and self._is_own(origin) and urlsplit(origin).scheme == "http"
        if not from_page and (origin is not None or scope["method"] not in _SAFE_METHODS):
            return 403, "Requests from other pages are refused."
        return None

    def _is_own(self, address: str) -> bool:
        try:
            parts = urlsplit(address)
            return parts.hostname in _LOOPBACK and (parts.port or 80) == self._port and not parts.username
        except ValueError:
            return False

    def _is_first(self, connection: HTTPConnection) -> bool:
        given = connection.query_params.get("token", "")
        right = self._token is not None and secrets.compare_digest(given.encode(), self._token.encode())
        return right and connection.url.path == "/"

    def _has_session(self, connection: HTTPConnection) -> bool:
        given = connection.cookies.get(self._cookie, "")
        return secrets.compare_digest(given.encode(), self._session.encode())
