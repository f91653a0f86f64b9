"""What a request sends: bounded in octets, announced or not, and in time.

A body that comes a few octets at a time would hold a form's memory and a place among the connections for hours, so it has
some seconds, and for a large one as many more as a slow line takes.
"""

from __future__ import annotations

import asyncio
import time
from typing import Final

from starlette.requests import Request
from starlette.types import Message

from flowdiag.desk.asked import Refused
from flowdiag.text.wording.desk import shell

PATIENCE_S: Final = 30.0
LEAST_OCTETS_A_SECOND: Final = 16 << 10  # of an upload over a poor line


def bounded(request: Request, largest: int) -> Request:
    """The request with a body of at most that many octets. Reading it raises Refused: 413 for more, 408 for too slow."""
    receive = request.receive
    until = time.monotonic() + PATIENCE_S
    octets, whole = 0, False

    async def receive_bounded() -> Message:
        nonlocal octets, whole
        if whole:
            return await receive()  # what comes now is that the browser has gone
        left = until + octets / LEAST_OCTETS_A_SECOND - time.monotonic()
        try:
            message = await asyncio.wait_for(receive(), max(left, 0.0))
        except TimeoutError:
            raise Refused(408, shell.TOO_SLOW, {"Connection": "close"}) from None
        octets += len(message.get("body", b""))
        whole = not message.get("more_body", False)
        if octets > largest:
            raise Refused(413, shell.TOO_LARGE, {"Connection": "close"})
        return message

    return Request(request.scope, receive_bounded)
