"""What a program is told when a request is refused or fails: problem details (RFC 9457)."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from typing import Final

from starlette.responses import JSONResponse, Response

MEDIA_TYPE: Final = "application/problem+json"
RETRY_S: Final = 5
_RETRIED: Final = frozenset({429, 503})


def problem(status: int, detail: str, headers: Mapping[str, str]) -> Response:
    """detail: one line, for people."""
    content = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status, "detail": detail}
    usual = {"Retry-After": str(RETRY_S)} if status in _RETRIED else {}
    return JSONResponse(content, status, usual | dict(headers), MEDIA_TYPE)
