"""The desk's log: one JSON object a line on standard error, for whatever gathers logs.

Requests are logged by their path, never by what was asked: who looked at what is the audit log's part.
"""

from __future__ import annotations

import json
import logging
import sys
import time
from datetime import UTC, datetime
from typing import Any, Final

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from flowdiag.text.escape import terminal

LONGEST: Final = 4_000  # characters of one value
# What Python gives every record; anything else was given as `extra`.
_USUAL: Final = frozenset(vars(logging.makeLogRecord({}))) | {
    "message",
    "asctime",
    "taskName",
    "color_message",
}
_REQUESTS: Final = logging.getLogger("flowdiag.desk.requests")


class JsonLines(logging.Formatter):
    """time (UTC, ISO 8601), level, logger, event, whatever `extra` had, and the traceback of an error."""

    def format(self, record: logging.LogRecord) -> str:
        time_of = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        line: dict[str, Any] = {
            "time": time_of,
            "level": record.levelname.lower(),
            "logger": record.name,
            "event": terminal(record.getMessage(), longest=LONGEST),
        }
        for key, value in vars(record).items():
            if key not in _USUAL:
                line[key] = terminal(value, longest=LONGEST) if isinstance(value, str) else value
        if record.exc_info:
            line["error"] = self.formatException(record.exc_info)[-LONGEST:]
        return json.dumps(line, ensure_ascii=False, default=str)


def begin_logging(level: int = logging.INFO) -> None:
    """Sends all logging of this process to standard error. In the server and in each worker."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level)
    logging.captureWarnings(True)
    logging.getLogger("httpx").setLevel(logging.WARNING)


class RequestLog:
    """One line a request: method, path, status, milliseconds, octets sent."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        began, status, octets = time.perf_counter(), 0, 0

        async def counted(message: Message) -> None:
            nonlocal status, octets
            if message["type"] == "http.response.start":
                status = message["status"]
            elif message["type"] == "http.response.body":
                octets += len(message.get("body", b""))
            await send(message)

        try:
            await self._app(scope, receive, counted)
        finally:
            _REQUESTS.info(
                "request",
                extra={
                    "method": scope["method"],
                    "path": scope["path"],
                    "status": status,
                    "ms": round((time.perf_counter() - began) * 1000, 1),
                    "octets": octets,
                },
            )
