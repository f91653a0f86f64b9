"""What every request passes before any page, and the headers that every answer has."""

from __future__ import annotations

from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from flowdiag.desk.desk import Desk

# CSP level 3: everything from the desk itself, nothing inline, in nobody's frame.
POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS: Final = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Cache-Control": "no-store",
}
LOOPBACK: Final = ("127.0.0.1", "localhost", "[::1]")


class Guard:
    """Refuses requests for names that are not the desk's (DNS rebinding), and adds the headers."""

    def __init__(self, app: ASGIApp, desk: Desk) -> None:
        self._app = app
        settings = desk.settings
        self._hosts = frozenset({*LOOPBACK, *settings.hosts})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        if _host(Headers(scope=scope).get("host", "")) not in self._hosts:
            await PlainTextResponse("This is not a name of this server.", 421)(scope, receive, with_headers)
            return
        await self._app(scope, receive, with_headers)


def _host(given: str) -> str:
    """A Host header without its port, in lower case."""
    name, colon, port = given.rpartition(":")
    return (name if colon and port.isdigit() else given).lower()
