"""All sites: what each is on now and what happened in its last day, sorted, filtered, and kept up to date."""

from __future__ import annotations

import time
from collections import Counter, OrderedDict
from typing import Any, Final
from urllib.parse import urlencode

import msgspec
from markupsafe import Markup
from msgspec import Struct
from starlette.responses import JSONResponse, Response

from flowdiag.desk.asked import Asked
from flowdiag.desk.board import Board, Standings
from flowdiag.desk.pages.board_rows import row
from flowdiag.desk.pages.front import may_ask
from flowdiag.desk.pages.watch import open_incidents
from flowdiag.desk.people import STAFF
from flowdiag.desk.rendering import environment, page
from flowdiag.desk.routing import Page
from flowdiag.site.catalogue import KnownSite
from flowdiag.text.wording.desk import board as wording
from flowdiag.watch.state import GRAVEST_FIRST, Standing

ROWS_A_PAGE: Final = 60  # of some 2 kB: a page is under 150 kB
REFRESHED_EVERY_S: Final = 45
# Answers about changes that are kept: most people look at the same list.
MOST_KEPT: Final = 64
LONGEST_CLIENT: Final = 200
ADDRESS: Final = "/all-sites"
_kept: OrderedDict[tuple[Any, ...], dict[str, Any]] = OrderedDict()


class View(Struct, frozen=True):
    """Which sites are asked for, and in which order. when: now or day; page: from 1 on."""

    client: str = ""
    state: str = ""
    when: str = "now"
    by: str = "gravest"
    page: int = 1

    def address(self, **changes: Any) -> str:
        """The address of the list with some of it changed; what is usual is left out. A change shows the first page."""
        values = {**msgspec.structs.asdict(self), "page": 1, **changes}
        usual = msgspec.structs.asdict(View())
        query = urlencode({name: value for name, value in values.items() if value != usual[name]})
        return f"{ADDRESS}?{query}" if query else ADDRESS


class Listed(Struct, frozen=True):
    """counts: of all sites of the client, by state; rows: of one page; total: sites in the list."""

    view: View
    counts: list[tuple[Standing, int]]
    rows: list[Markup]
    total: int

    @property
    def pages(self) -> int:
        return max(-(-self.total // ROWS_A_PAGE), 1)


def view_of(asked: Asked) -> View:
    """What the address asks for; what it does not know is as usual."""
    number = asked.query("page") or "1"
    return View(
        client=(asked.query("client") or "")[:LONGEST_CLIENT],
        state=_one_of(asked.query("state"), ("", *GRAVEST_FIRST)),
        when=_one_of(asked.query("when"), ("now", "day")),
        by=_one_of(asked.query("by"), tuple(wording.SORTS)),
        page=min(max(int(number), 1), 10_000) if number.isdecimal() and len(number) < 6 else 1,
    )


def _one_of(given: str | None, known: tuple[str, ...]) -> str:
    return given if given in known else known[0]


def listed(board: Board, sites: list[KnownSite], view: View, asks: bool) -> Listed:
    """asks: who looks may read notes."""
    now_ms = time.time_ns() // 1_000_000
    chosen = [(site, board.of(site)) for site in sites if view.client in ("", site.client)]
    said = {site.key: known.said(view.when) for site, known in chosen}
    counts = Counter(standing for standings in said.values() for standing in standings)
    rows = [(site, known) for site, known in chosen if not view.state or view.state in said[site.key]]
    rows.sort(key=lambda one: _place(one[0], one[1], said[one[0].key], view.by))
    first = (view.page - 1) * ROWS_A_PAGE
    return Listed(
        view=view,
        counts=[(standing, counts[standing]) for standing in GRAVEST_FIRST if counts[standing]],
        rows=[row(board, site, known, now_ms, asks) for site, known in rows[first : first + ROWS_A_PAGE]],
        total=len(rows),
    )


def _place(site: KnownSite, known: Standings, said: tuple[Standing, ...], by: str) -> tuple[Any, ...]:
    name = (site.name.casefold(), site.key)
    if by == "name":
        return name
    if by == "client":
        return (site.client.casefold(), *name)
    if by == "since":
        began = [known.now.since_ms or 0, *(mark.began_ms for mark in known.now.ongoing)]
        return (-max(began), *name)
    # What is down and has more besides goes before what is only down.
    return (*(GRAVEST_FIRST.index(standing) for standing in said), len(GRAVEST_FIRST), *name)


async def show(asked: Asked) -> Response:
    view, sites = view_of(asked), asked.sites()
    found = listed(asked.desk.board, sites, view, may_ask(asked))
    return page(
        asked,
        "board.html",
        wording=wording,
        found=found,
        incidents=await open_incidents(asked),
        view=view,
        clients=sorted({site.client for site in sites if site.client != site.name}, key=str.casefold),
        any_site=bool(sites),
        version=asked.desk.board.version,
        age=age(asked.desk.board, sites),
        every=REFRESHED_EVERY_S,
        changes=view.address(page=view.page).replace(ADDRESS, f"{ADDRESS}/changes", 1),
        gravest=GRAVEST_FIRST,
        first=(view.page - 1) * ROWS_A_PAGE + 1,
    )


def age(board: Board, sites: list[KnownSite]) -> str:
    now_ms = time.time_ns() // 1_000_000
    days = [board.of(site).day_looked_ms for site in sites]
    known = [ms for ms in days if ms is not None]
    oldest = board.oldest_ms(sites)
    now_age = None if oldest is None else (now_ms - oldest) / 1000
    day_age = (now_ms - min(known)) / 1000 if known and len(known) == len(days) else None
    return wording.status(now_age, day_age)


async def changes(asked: Asked) -> Response:
    """What of the list changed since a version: nothing but how old it is, or the rows and the counts."""
    board, view = asked.desk.board, view_of(asked)
    since = asked.query("since") or "0"
    sites = asked.sites()
    answer: dict[str, Any] = {"version": board.version, "status": age(board, sites)}
    if since.isdecimal() and len(since) < 20 and int(since) >= board.version:
        return JSONResponse(answer)
    return JSONResponse(answer | _changed(board, sites, view, asked))


def _changed(board: Board, sites: list[KnownSite], view: View, asked: Asked) -> dict[str, Any]:
    asks = may_ask(asked)
    key = (id(board), asked.who.sites, asks, view, board.version)
    if key not in _kept:
        found = listed(board, sites, view, asks)
        parts = environment().get_template("board_parts.html").module
        _kept[key] = {
            "rows": str(Markup("").join(found.rows)),
            "counts": str(parts.counts(found.counts, view, wording)),  # type: ignore[attr-defined]
        }
        while len(_kept) > MOST_KEPT:
            _kept.popitem(last=False)
    return _kept[key]


PAGES: Final = (
    Page(ADDRESS, show, roles=STAFF),
    Page(f"{ADDRESS}/changes", changes, roles=STAFF, api=True),
)
