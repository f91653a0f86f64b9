"""THE one place where a request is let in or refused: who asks, in which role, about which site, with a form of the desk's own.

A page says in its `Page` who may see it; what no page says is refused. The check of role and site is done before a page's
function is called, so that no page can forget it; a site that a person may not see does not exist for them.
"""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable, Iterable
from typing import Final

from msgspec import Struct
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from flowdiag.desk.access.sessions import COOKIE
from flowdiag.desk.asked import Asked, Refused
from flowdiag.desk.desk import Desk
from flowdiag.desk.people import Role
from flowdiag.desk.problem import problem
from flowdiag.desk.receiving import receive
from flowdiag.desk.rendering import page as rendered
from flowdiag.errors import FlowdiagError, UsageError
from flowdiag.text.wording.desk import shell, upload

Handler = Callable[[Asked], Awaitable[Response]]
SIGN_IN: Final = "/sign-in"
API: Final = "/api/"
FORM_TOKEN: Final = "form_token"
SAFE_METHODS: Final = frozenset({"GET", "HEAD"})
MOST_FIELDS: Final = 200
LARGEST_FIELD: Final = 64 << 10
LARGEST_FORM: Final = 256 << 10


class Page(Struct, frozen=True):
    """path: as starlette has it, with {site} or {client} where the page is of one; roles: who may see it, None for anyone;
    largest: octets of a form; api: answers in JSON, to programs too; takes_file: its form brings an upload."""

    path: str
    handler: Handler
    roles: frozenset[Role] | None
    methods: tuple[str, ...] = ("GET",)
    largest: int = LARGEST_FORM
    api: bool = False
    takes_file: bool = False


def routes(desk: Desk, pages: Iterable[Page]) -> list[Route]:
    return [Route(page.path, _endpoint(desk, page), methods=list(page.methods)) for page in pages]


def _endpoint(desk: Desk, page: Page) -> Callable[[Request], Awaitable[Response]]:
    async def endpoint(request: Request) -> Response:
        asked = Asked(desk, request)
        try:
            await _admit(asked, page)
            return await page.handler(asked)
        except FlowdiagError as error:
            return _refusal(asked, page, error)

    return endpoint


async def _admit(asked: Asked, page: Page) -> None:
    """Raises Refused for whoever may not see the page, or not this site's."""
    request = asked.request
    asked.session = asked.desk.sessions.get(request.cookies.get(COOKIE))
    if asked.session is not None:
        asked.person = asked.session.person
    if page.roles is not None:
        if asked.person is None:
            raise Refused(401, shell.SIGN_IN_FIRST)
        if not asked.person.roles & page.roles:
            raise Refused(403, shell.NOT_FOR_YOU)
    if "site" in request.path_params:
        site = asked.desk.catalogue.get(request.path_params["site"])
        if site is None or asked.person is None or not asked.person.sees(site):
            raise Refused(404, shell.NO_SUCH_SITE)
        asked.site = site
    if "client" in request.path_params:
        sites = asked.desk.catalogue.of_client(request.path_params["client"])
        if not sites or asked.person is None or not all(map(asked.person.sees, sites)):
            raise Refused(404, shell.NO_SUCH_CLIENT)
        asked.client_sites = sites
    if "upload" in request.path_params:
        owner = "" if asked.session is None else asked.session.key
        asked.upload = asked.desk.uploads.get(owner, request.path_params["upload"])
        if asked.upload is None:
            raise Refused(404, upload.GONE)
    if request.method not in SAFE_METHODS:
        asked.fields = await _form(asked, page)


async def _form(asked: Asked, page: Page) -> FormData:
    """The form of a request, which has to be one of the desk's own pages."""

    def check(given: object) -> None:
        if page.roles is not None and not (
            isinstance(given, str) and hmac.compare_digest(given.encode(), asked.form_token.encode())
        ):
            raise Refused(403, shell.NOT_OUR_FORM)

    if page.takes_file:
        if asked.session is None:
            raise Refused(403, shell.NOT_OUR_FORM)
        fields, asked.upload = await receive(asked.request, asked.desk.uploads, asked.session.key, check)
        return fields
    length = asked.request.headers.get("content-length", "")
    if not length.isdigit() or int(length) > page.largest:
        raise Refused(413, shell.TOO_LARGE)
    fields = await asked.request.form(max_files=1, max_fields=MOST_FIELDS, max_part_size=LARGEST_FIELD)
    check(fields.get(FORM_TOKEN))
    return fields


async def unserved(request: Request, error: Exception) -> Response:
    """What no page answers, or not by this method."""
    assert isinstance(error, HTTPException)
    if request.url.path.startswith(API):
        answer = problem(error.status_code, error.detail)
    else:
        answer = PlainTextResponse(error.detail, error.status_code)
    answer.headers.update(error.headers or {})
    return answer


def _refusal(asked: Asked, page: Page, error: FlowdiagError) -> Response:
    status = error.status if isinstance(error, Refused) else 400 if isinstance(error, UsageError) else 503
    if page.api:
        return problem(status, str(error))
    if status == 401 and asked.request.method in SAFE_METHODS:
        return RedirectResponse(SIGN_IN, 303)
    return rendered(asked, "refused.html", status=status, title=shell.REFUSED, reason=str(error))
