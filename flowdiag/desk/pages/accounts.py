"""The account review: the sites that a person may see, ranked, with each client's page and the files of `flowdiag review`."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Any, Final
from urllib.parse import urlencode

from markupsafe import Markup
from msgspec import Struct
from starlette.responses import Response

from flowdiag.desk.asked import Asked, Refused
from flowdiag.desk.asking.review_question import (
    ClientAnswer,
    ClientQuestion,
    ReviewAnswer,
    ReviewQuestion,
    ReviewRow,
    asked_site,
)
from flowdiag.desk.pages.note import FILE_POLICY
from flowdiag.desk.pages.waiting import answer_or_wait
from flowdiag.desk.people import Role
from flowdiag.desk.rendering import page
from flowdiag.desk.routing import Page
from flowdiag.errors import UsageError
from flowdiag.site.catalogue import KnownSite
from flowdiag.text.wording.desk import accounts as wording
from flowdiag.text.wording.desk import shell

REVIEWERS: Final[frozenset[Role]] = frozenset({"accounts", "engineer"})
ROWS_A_PAGE: Final = 100
HOME: Final = "/accounts"
MEDIA: Final = {
    "csv": "text/csv; charset=utf-8",
    "json": "application/json",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}
MONTH: Final = (
    "(?:19[89][0-9]|20[0-9][0-9])-(?:0[1-9]|1[0-2])"  # as chosen_period() takes it, and JSON Schema too
)
# Columns that are more interesting from their highest figure down.
_HIGHEST_FIRST: Final = frozenset({"p95_mbps", "share", "busy_hours", "trend"})
_BY: Final[dict[str, Callable[[ReviewRow], Any]]] = {
    "rank": lambda row: row.rank,
    "site": lambda row: (row.site.casefold(), row.rank),
    "advice": lambda row: (row.words["advice"], row.rank),
    "short": lambda row: (row.short, row.rank),
    "tightest": lambda row: (row.tightest.casefold(), row.rank),
    "p95_mbps": lambda row: row.p95_mbps,
    "share": lambda row: row.share,
    "busy_hours": lambda row: row.busy_hours,
    "trend": lambda row: float("-inf") if row.trend is None else row.trend,
}


class Chosen(Struct, frozen=True):
    """What the address says. client: its key; sort: a column's key; is_down: from its highest value; number: of the page."""

    month: str | None
    client: str | None
    sort: str
    is_down: bool
    number: int

    def address(self, path: str = HOME, **other: Any) -> str:
        """A page of the review with these choices, some of them others."""
        values = {name: getattr(self, name) for name in self.__struct_fields__} | other
        query = {
            "month": values["month"],
            "client": values["client"],
            "sort": None if values["sort"] == "rank" and not values["is_down"] else values["sort"],
            "down": "1" if values["is_down"] else None,
            "page": None if values["number"] == 1 else values["number"],
        }
        words = urlencode({name: value for name, value in query.items() if value})
        return f"{path}?{words}" if words else path


class Heading(Struct, frozen=True):
    """Of a column. address: of the table sorted by it; order: as aria-sort has it, None where it is not sorted by."""

    key: str
    name: str
    address: str
    order: str | None


def chosen(asked: Asked) -> Chosen:
    """Raises UsageError for a month that is none."""
    sort, number = asked.query("sort") or "rank", asked.query("page") or "1"
    return Chosen(
        month=asked_month(asked.query("month")),
        client=asked.query("client"),
        sort=sort if sort in _BY else "rank",
        is_down=asked.query("down") == "1",
        number=int(number) if number.isascii() and number.isdigit() and len(number) < 5 else 1,
    )


def asked_month(text: str | None) -> str | None:
    """YYYY-MM, None for none. Raises UsageError."""
    if text is not None and not re.fullmatch(MONTH, text):
        raise UsageError(wording.NO_MONTH)
    return text


def question(asked: Asked, month: str | None, client: str | None) -> ReviewQuestion:
    """The review of the sites that the person may see, of one client where its key is given. Raises Refused where there is no
    such client among them."""
    sites = [site for site in asked.sites() if client is None or site.client_key == client]
    if client is not None and not sites:
        raise Refused(404, wording.NO_CLIENT)
    return ReviewQuestion(asked.desk.settings.store, tuple(map(asked_site, sites)), month)


async def show(asked: Asked) -> Response:
    clients = _clients(asked)
    try:
        choice = chosen(asked)
        wanted = question(asked, choice.month, choice.client)
        found: ReviewAnswer | Response | None = None
        if wanted.sites:
            found = await answer_or_wait(asked, wanted, wording.REVIEWING)
    except UsageError as error:
        month = (asked.query("month") or "")[:40]
        return page(
            asked, "accounts.html", status=400, wording=wording, month=month, client=None, clients=clients, found=None,
            fault=str(error),
        )  # fmt: skip
    if isinstance(found, Response):
        return found
    rows = [] if found is None else _sorted(found.rows, choice)
    pages = max(-(-len(rows) // ROWS_A_PAGE), 1)
    number = min(max(choice.number, 1), pages)
    return page(
        asked,
        "accounts.html",
        wording=wording,
        month=choice.month or "",
        client=choice.client,
        clients=clients,
        found=found,
        rows=rows[(number - 1) * ROWS_A_PAGE : number * ROWS_A_PAGE],
        headings=_headings(choice),
        links={site.key: _client_address(choice, site.client_key) for site in asked.sites()},
        files=[(name, choice.address(f"{HOME}/review.{form}", sort="rank", is_down=False, number=1))
               for form, name in (("csv", wording.CSV), ("xlsx", wording.XLSX), ("json", wording.JSON))],
        number=number,
        pages=pages,
        earlier=choice.address(number=number - 1) if number > 1 else None,
        later=choice.address(number=number + 1) if number < pages else None,
        fault=None,
    )  # fmt: skip


def _clients(asked: Asked) -> list[tuple[str, str]]:
    """Key and name of each client of whom the person sees all sites, by name."""
    seen = {site.client_key: site.client for site in asked.sites()}
    hidden = {site.client_key for site in asked.desk.catalogue.all() if not asked.who.sees(site)}
    return sorted(
        ((key, name) for key, name in seen.items() if key not in hidden), key=lambda one: one[1].casefold()
    )


def _client_address(choice: Chosen, client: str) -> str:
    address = f"{HOME}/clients/{client}"
    return f"{address}?{urlencode({'month': choice.month})}" if choice.month else address


def _sorted(rows: Sequence[ReviewRow], choice: Chosen) -> list[ReviewRow]:
    return sorted(rows, key=_BY[choice.sort], reverse=choice.is_down)


def _headings(choice: Chosen) -> list[Heading]:
    """A column that is sorted by leads to the other way round."""
    found = []
    for key, name in wording.COLUMNS:
        is_this = key == choice.sort
        down = not choice.is_down if is_this else key in _HIGHEST_FIRST
        order = ("descending" if choice.is_down else "ascending") if is_this else None
        found.append(Heading(key, name, choice.address(sort=key, is_down=down, number=1), order))
    return found


async def as_file(asked: Asked) -> Response:
    """The review in a format, as `flowdiag review` writes it."""
    form = asked.request.path_params["form"]
    if form not in MEDIA:
        raise Refused(404, shell.NO_SUCH_PAGE)
    choice = chosen(asked)
    wanted = question(asked, choice.month, choice.client)
    if not wanted.sites:
        raise Refused(404, wording.NO_SITES)
    found: ReviewAnswer | Response = await answer_or_wait(asked, wanted, wording.REVIEWING)
    if isinstance(found, Response):
        return found
    return Response(getattr(found, form), media_type=MEDIA[form], headers=_saved(f"review.{form}"))


async def client(asked: Asked) -> Response:
    found = await _client(asked)
    if isinstance(found, Response):
        return found
    month = asked.query("month")
    return page(
        asked,
        "account_client.html",
        wording=wording,
        answer=found,
        part=Markup(found.part),
        file=f"{asked.request.url.path}/file" + (f"?{urlencode({'month': month})}" if month else ""),
        back=HOME + (f"?{urlencode({'month': month})}" if month else ""),
    )


async def client_file(asked: Asked) -> Response:
    """The page by itself, to be sent."""
    found = await _client(asked)
    if isinstance(found, Response):
        return found
    name = f"{asked.request.path_params['client']}.html"
    return Response(
        found.page,
        media_type="text/html; charset=utf-8",
        headers={"Content-Security-Policy": FILE_POLICY} | _saved(name),
    )


async def _client(asked: Asked) -> ClientAnswer | Response:
    sites: tuple[KnownSite, ...] = tuple(asked.client_sites)
    wanted = ClientQuestion(
        asked.desk.settings.store, tuple(map(asked_site, sites)), asked_month(asked.query("month"))
    )
    found: ClientAnswer | Response = await answer_or_wait(asked, wanted, wording.REVIEWING)
    return found


def _saved(name: str) -> dict[str, str]:
    """name: letters, digits, dashes and dots."""
    return {"Content-Disposition": f'attachment; filename="{name}"'}


PAGES: Final = (
    Page(HOME, show, roles=REVIEWERS),
    Page(f"{HOME}/review.{{form}}", as_file, roles=REVIEWERS),
    Page(f"{HOME}/clients/{{client}}", client, roles=REVIEWERS),
    Page(f"{HOME}/clients/{{client}}/file", client_file, roles=REVIEWERS),
)
