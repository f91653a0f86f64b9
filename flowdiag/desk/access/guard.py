"""What every request passes before any page, and the headers that every answer has.

Facts the design follows:
- a page elsewhere can make a browser send requests here, by a name of its own that leads to this machine (DNS rebinding) or
  by a form; browsers tell the name in Host and the page's origin in Origin and Sec-Fetch-Site, which scripts cannot forge;
- a form's own token (routing.py) is asked for beside that.
"""

from __future__ import annotations

import math
from ipaddress import ip_address
from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from flowdiag.desk.access.rates import Rate, address_key
from flowdiag.desk.desk import Desk
from flowdiag.desk.settings import Settings
from flowdiag.text.wording.desk import shell

# CSP level 3: everything from the desk itself, nothing inline, in nobody's frame.
POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS: Final = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # Without any referrer browsers call the origin of the desk's own forms "null" (Fetch standard, 3.1).
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Cache-Control": "no-store",
}
HSTS: Final = "max-age=31536000"  # a year
LOOPBACK: Final = ("127.0.0.1", "localhost", "[::1]")
UNSAFE_METHODS: Final = frozenset({"POST", "PUT", "PATCH", "DELETE"})
METHODS: Final = UNSAFE_METHODS | {"GET", "HEAD"}
# Of one address: an office behind it reads and its browsers refresh.
REQUESTS_A_SECOND: Final = 150.0
REQUESTS_AT_ONCE: Final = 1_500.0
LONGEST_TARGET: Final = 16 << 10  # octets of path and query


class Guard:
    """Refuses names that are not the desk's, posts from elsewhere, and too much of all; adds the headers."""

    def __init__(self, app: ASGIApp, desk: Desk) -> None:
        self._app = app
        settings = desk.settings
        self._hosts = frozenset({*LOOPBACK, *own_names(settings)})
        self._behind_proxy = settings.behind_proxy
        self._headers = {**HEADERS, "Strict-Transport-Security": HSTS} if settings.is_secure else HEADERS
        self._rates = Rate(REQUESTS_A_SECOND, REQUESTS_AT_ONCE)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers.setdefault(name, value)
            await send(message)

        refusal = self._refusal(scope)
        await (refusal or self._app)(scope, receive, with_headers)

    def _refusal(self, scope: Scope) -> PlainTextResponse | None:
        headers = Headers(scope=scope)
        if wait := self._rates.take(address_key((scope.get("client") or ("", 0))[0])):
            return _refused(429, shell.TOO_MANY, {"Retry-After": str(math.ceil(wait))})
        hosts = headers.getlist("host")
        if len(hosts) != 1 or host_name(hosts[0]) not in self._hosts:
            return _refused(421, shell.NOT_THIS_SERVER)
        if scope["method"] not in METHODS:
            return _refused(405, shell.NO_SUCH_METHOD, {"Allow": ", ".join(sorted(METHODS))})
        if len(scope.get("raw_path") or b"") + len(scope["query_string"]) > LONGEST_TARGET:
            return _refused(414, shell.TOO_LARGE)
        if scope["method"] in UNSAFE_METHODS and not self._is_own(headers, scope["scheme"], hosts[0]):
            return _refused(403, shell.FROM_ELSEWHERE)
        return None

    def _is_own(self, headers: Headers, scheme: str, host: str) -> bool:
        """Whether no header tells that a page from elsewhere sent this. Programs tell neither of the two."""
        if headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return False
        scheme = "https" if self._behind_proxy else scheme
        return headers.get("origin", f"{scheme}://{host}").lower() == f"{scheme}://{host}".lower()


def _refused(status: int, what: str, headers: dict[str, str] | None = None) -> PlainTextResponse:
    return PlainTextResponse(what, status, {"Connection": "close", **(headers or {})})


def own_names(settings: Settings) -> set[str]:
    """The names by which a desk may be asked for beside loopback's, as host_name() gives them."""
    names = {host_name(name) for name in settings.hosts}
    try:
        listening = ip_address(settings.host)
    except ValueError:
        return names | {settings.host.lower()}
    if not listening.is_unspecified:
        names.add(f"[{listening}]" if listening.version == 6 else str(listening))
    return names


def host_name(given: str) -> str:
    """A Host header without its port, in lower case; empty for one that is none."""
    try:
        parts = urlsplit(f"//{given}")
        _ = parts.port
    except ValueError:
        return ""
    if parts.netloc != given or "@" in given or parts.path:
        return ""
    name = (parts.hostname or "").lower()
    return f"[{name}]" if ":" in name else name.removesuffix(".")
