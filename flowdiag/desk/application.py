"""A desk as an ASGI application: its pages, what every request has to pass, and its life from start to end."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Final

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles

from flowdiag.desk.access.guard import Guard
from flowdiag.desk.api import pages as api
from flowdiag.desk.desk import Desk
from flowdiag.desk.logs import RequestLog
from flowdiag.desk.pages import (
    accounts,
    board,
    closer,
    front,
    health,
    morning,
    note,
    sign_in,
    style,
    upload,
    waiting,
    watch,
)
from flowdiag.desk.routing import Page, nowhere, routes

SMALL: Final = 2_000  # octets that are not worth compressing
QUICK: Final = 4  # zlib's level: a tenth more octets than the usual 6 in half the time
_STATIC: Final = Path(__file__).parent / "static"
PAGES: Final[tuple[Page, ...]] = (
    *accounts.PAGES,
    *board.PAGES,
    *api.PAGES,
    *closer.PAGES,
    *front.PAGES,
    *health.PAGES,
    *morning.PAGES,
    *note.PAGES,
    *sign_in.PAGES,
    *style.PAGES,
    *upload.PAGES,
    *waiting.PAGES,
    *watch.PAGES,
)


def application(desk: Desk) -> Starlette:
    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        desk.begin()
        try:
            yield
        finally:
            desk.end()

    return Starlette(
        routes=[*routes(desk, PAGES), Mount("/static", StaticFiles(directory=_STATIC))],
        middleware=[
            Middleware(RequestLog),
            Middleware(Guard, desk=desk),
            Middleware(GZipMiddleware, minimum_size=SMALL, compresslevel=QUICK),
        ],
        exception_handlers={404: nowhere(desk), 405: nowhere(desk)},
        lifespan=life,
    )
