"""Finding a site, and the page of one site with the form to ask about it."""

from __future__ import annotations

import time
from typing import Final

from starlette.responses import JSONResponse, Response

from flowdiag.desk.asked import Asked
from flowdiag.desk.pages.board_rows import standing_of
from flowdiag.desk.people import ROLES, Role
from flowdiag.desk.rendering import page
from flowdiag.desk.routing import Page
from flowdiag.site.clock import LocalTime
from flowdiag.text.clock import Clock
from flowdiag.text.wording.desk import ask as wording

MOST_LISTED: Final = 50
MOST_SUGGESTED: Final = 8
EVERYBODY: Final[frozenset[Role]] = frozenset(ROLES)
FIELDS: Final = ("when", "said", "ticket", "beside")  # of the form that asks
ASKERS: Final[frozenset[Role]] = frozenset({"helpdesk", "engineer", "client"})


async def find(asked: Asked) -> Response:
    words = asked.query("find") or ""
    found = asked.desk.catalogue.find(words, asked.sites())
    return page(
        asked,
        "find.html",
        wording=wording,
        words=words,
        sites=found[:MOST_LISTED],
        more=len(found) > MOST_LISTED,
    )


async def suggest(asked: Asked) -> Response:
    """The first sites that have the words, for the script of the page."""
    found = asked.desk.catalogue.find(asked.query("find") or "", asked.sites())[:MOST_SUGGESTED]
    return JSONResponse([{"key": site.key, "name": site.name, "client": site.client} for site in found])


async def site(asked: Asked) -> Response:
    return page(
        asked,
        "site.html",
        wording=wording,
        site=asked.the_site,
        now=site_time(asked),
        form=dict.fromkeys(FIELDS, ""),
        standing=standing_of(asked),
    )


def site_time(asked: Asked) -> str:
    """What the site's clock shows, with its zone."""
    zone = asked.the_site.timezone
    now_ms = time.time_ns() // 1_000_000
    local = LocalTime(zone).local(now_ms)
    return f"{local:%H:%M}, {Clock(zone).day(now_ms)} ({zone})"


PAGES: Final = (
    Page("/", find, roles=EVERYBODY),
    Page("/sites/suggest", suggest, roles=EVERYBODY),
    Page("/sites/{site}", site, roles=EVERYBODY),
)
