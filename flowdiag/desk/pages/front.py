"""Finding a site, and the page of one site with the form to ask about it."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Final

from starlette.responses import Response

from flowdiag.desk.asked import Asked
from flowdiag.desk.asked_times import WrongTime
from flowdiag.desk.pages.board_rows import standing_of
from flowdiag.desk.pages.watch_rows import site_drills
from flowdiag.desk.people import ROLES, Role
from flowdiag.desk.rendering import page
from flowdiag.desk.routing import Page
from flowdiag.site.clock import LocalTime
from flowdiag.text.clock import Clock
from flowdiag.text.wording.desk import ask as wording

MOST_LISTED: Final = 50
FORM_FIELDS: Final = ("when", "said", "ticket", "beside")
EMPTY_FORM: Final = dict.fromkeys(FORM_FIELDS, "")
EVERYBODY: Final[frozenset[Role]] = frozenset(ROLES)
ASKERS: Final[frozenset[Role]] = frozenset({"helpdesk", "engineer", "client"})
CLOSE_LOOKERS: Final[frozenset[Role]] = frozenset({"helpdesk", "engineer"})


async def find(asked: Asked) -> Response:
    return _found(asked, "find.html")


async def suggest(asked: Asked) -> Response:
    """The list alone, for the script of the page while somebody types."""
    return _found(asked, "found.html")


def _found(asked: Asked, template: str) -> Response:
    words = asked.query("find") or ""
    found = asked.desk.catalogue.find(words, asked.sites())
    more = len(found) > MOST_LISTED
    return page(asked, template, wording=wording, words=words, sites=found[:MOST_LISTED], more=more)


async def site(asked: Asked) -> Response:
    return site_page(asked, EMPTY_FORM)


def site_page(asked: Asked, form: Mapping[str, str], fault: WrongTime | None = None) -> Response:
    """form: what was typed; fault: what is wrong with it."""
    return page(
        asked,
        "site.html",
        status=200 if fault is None else 400,
        wording=wording,
        site=asked.the_site,
        now=site_time(asked),
        form=form,
        fault=fault,
        may_ask=may_ask(asked),
        standing=standing_of(asked, may_ask(asked)),
        drills=site_drills(asked),
    )


def may_ask(asked: Asked) -> bool:
    return bool(asked.who.roles & ASKERS)


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
