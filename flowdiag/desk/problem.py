"""What a program is told when a request is refused or fails: problem details (RFC 9457)."""

from __future__ import annotations

from http import HTTPStatus
from typing import Final

from starlette.responses import JSONResponse, Response

MEDIA_TYPE: Final = "application/problem+json"
RETRY_S: Final = 5
_RETRIED: Final = frozenset({429, 503})


def problem(status: int, detail: str) -> Response:
    """detail: one line, for people."""
    content = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status, "detail": detail}
    headers = {"Retry-After": str(RETRY_S)} if status in _RETRIED else {}
    if status == 401:
        headers["WWW-Authenticate"] = "Bearer"
    return JSONResponse(content, status, headers, MEDIA_TYPE)
