"""Whether the desk can answer, for whatever watches it."""

from __future__ import annotations

import asyncio
from typing import Final

from starlette.responses import JSONResponse, Response

from flowdiag.desk.asked import Asked
from flowdiag.desk.asking.store_state import ReachableQuestion
from flowdiag.desk.routing import Page
from flowdiag.errors import FlowdiagError

PATIENCE_S: Final = 5.0


async def show(asked: Asked) -> Response:
    """200 where a worker reaches the store, 503 where none does in time. Nothing else is told: it is for anyone."""
    question = ReachableQuestion(asked.desk.settings.store)
    try:
        async with asyncio.timeout(PATIENCE_S):
            await asked.desk.answers.answer(question)
    except TimeoutError:
        return JSONResponse({"status": "busy"}, 503)
    except FlowdiagError:
        return JSONResponse({"status": "no store"}, 503)
    return JSONResponse({"status": "ok"})


PAGES: Final = (Page("/health", show, roles=None, api=True),)
