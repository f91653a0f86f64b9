"""THE one place where a request is let in or refused: who asks, in which role, about which site, with a form of the desk's own.

A page says in its `Page` who may see it; what no page says is refused. The check of role and site is done before a page's
function is called, so that no page can forget it; a site that a person may not see does not exist for them. What became of
it is told to the audit log here too.

People are known by their session's cookie. Programs are by a token, on pages that are for them too (`Page(api=True)`); there no
cookie is enough to change anything, since a browser sends it along with whatever makes it send.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Awaitable, Callable, Iterable
from typing import Final
from urllib.parse import urlencode

from msgspec import Struct
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from flowdiag.desk.access.audit import PAGE, SIGN_IN_REFUSED, Entry
from flowdiag.desk.access.bodies import bounded
from flowdiag.desk.access.form_tokens import is_of
from flowdiag.desk.access.sessions import COOKIE
from flowdiag.desk.access.tokens import LONGEST as LONGEST_TOKEN
from flowdiag.desk.asked import Asked, Refused
from flowdiag.desk.desk import Desk
from flowdiag.desk.people import Person, Role
from flowdiag.desk.problem import problem
from flowdiag.desk.receiving import AROUND, receive
from flowdiag.desk.rendering import page as rendered
from flowdiag.errors import FlowdiagError, UsageError
from flowdiag.text.wording.desk import api, shell, upload

Handler = Callable[[Asked], Awaitable[Response]]
SIGN_IN: Final = "/sign-in"
API: Final = "/api/"
FORM_TOKEN: Final = "form_token"
SAFE_METHODS: Final = frozenset({"GET", "HEAD"})
MOST_FIELDS: Final = 200
LARGEST_FIELD: Final = 64 << 10
LARGEST_FORM: Final = 256 << 10

CHALLENGE: Final = {"WWW-Authenticate": 'Bearer realm="flowdiag"'}
WRONG_TOKEN: Final = {"WWW-Authenticate": 'Bearer realm="flowdiag", error="invalid_token"'}


_LOG: Final = logging.getLogger("flowdiag.desk")


class Page(Struct, frozen=True):
    """path: as starlette has it, with {site} or {client} where the page is of one; roles: who may see it, None for anyone;
    largest: octets of a body; api: answers in JSON, to programs too, and reads the body itself; takes_file: its form brings an
    upload."""

    path: str
    handler: Handler
    roles: frozenset[Role] | None
    methods: tuple[str, ...] = ("GET",)
    largest: int = LARGEST_FORM
    api: bool = False
    takes_file: bool = False


def routes(desk: Desk, pages: Iterable[Page]) -> list[Route]:
    return [Route(page.path, _endpoint(desk, page), methods=list(page.methods)) for page in pages]


def nowhere(desk: Desk) -> Callable[[Request, Exception], Awaitable[Response]]:
    """What answers where there is no page, or none for that method."""

    async def answer(request: Request, error: Exception) -> Response:
        asked = Asked(desk, request)
        asked.session = desk.sessions.get(request.cookies.get(COOKIE))
        asked.person = None if asked.session is None else asked.session.person
        status = getattr(error, "status_code", 404)
        page = Page(request.url.path, _never, None, api=request.url.path.startswith(API))
        said = api.NO_SUCH_OPERATION if page.api else shell.NO_SUCH_PAGE
        return _refusal(asked, page, Refused(status, said, getattr(error, "headers", None)))

    return answer


async def _never(asked: Asked) -> Response:
    raise NotImplementedError


def _endpoint(desk: Desk, page: Page) -> Callable[[Request], Awaitable[Response]]:
    async def endpoint(request: Request) -> Response:
        largest = desk.settings.largest_upload + AROUND if page.takes_file else page.largest
        asked = Asked(desk, bounded(request, largest))
        status = 500
        try:
            try:
                await _admit(asked, page)
                answer = await page.handler(asked)
            except FlowdiagError as error:
                answer = _refusal(asked, page, error)
            except Exception:
                _LOG.exception("a page failed", extra={"path": request.url.path})
                answer = _refusal(asked, page, Refused(500, shell.OUR_FAULT))
            status = answer.status_code
            return answer
        finally:
            _tell(asked, status)

    return endpoint


def _tell(asked: Asked, status: int) -> None:
    """The audit log is told of everything that somebody who is known asked for, and of who tried to be."""
    if asked.person is None and asked.event == PAGE:
        return
    request, person = asked.request, asked.person
    asked.desk.audit.tell(
        Entry(
            asked.event,
            asked.tried if person is None else person.name,
            [] if person is None else sorted(person.roles),
            asked.address,
            request.method,
            request.url.path,
            request.url.query,
            status,
            None if asked.site is None else asked.site.key,
        )
    )


async def _admit(asked: Asked, page: Page) -> None:
    """Raises Refused for whoever may not see the page, or not this site's."""
    request = asked.request
    _identify(asked, page)
    if page.roles is not None:
        if asked.person is None:
            raise (
                Refused(401, api.SIGN_IN_FIRST, CHALLENGE) if page.api else Refused(401, shell.SIGN_IN_FIRST)
            )
        if not asked.person.roles & page.roles:
            raise Refused(403, api.NOT_FOR_THIS_ROLE if page.api else shell.NOT_FOR_YOU)
    _find_what_it_is_about(asked)
    if request.method not in SAFE_METHODS and not page.api:
        asked.fields = await _form(asked, page)


def _find_what_it_is_about(asked: Asked) -> None:
    """The site, client or upload of the address. Raises Refused for one that is not the person's, as for one that is not
    there."""
    place, person, desk = asked.request.path_params, asked.person, asked.desk
    if "site" in place:
        site = desk.catalogue.get(place["site"])
        if site is None or person is None or not person.sees(site):
            raise Refused(404, shell.NO_SUCH_SITE)
        asked.site = site
    if "client" in place:
        sites = desk.catalogue.of_client(place["client"])
        if not sites or person is None or not all(map(person.sees, sites)):
            raise Refused(404, shell.NO_SUCH_CLIENT)
        asked.client_sites = sites
    if "upload" in place:
        owner = "" if asked.session is None else asked.session.key
        asked.upload = desk.uploads.get(owner, place["upload"])
        if asked.upload is None:
            raise Refused(404, upload.GONE)


def _identify(asked: Asked, page: Page) -> None:
    """Raises Refused for a token that is not good, and for whoever asks too often."""
    given = asked.request.headers.get("authorization")
    if page.api and given is not None:
        asked.person = _program(asked, given)
        who = asked.person.name
    else:
        asked.session = asked.desk.sessions.get(asked.request.cookies.get(COOKIE))
        if asked.session is None or (page.api and asked.request.method not in SAFE_METHODS):
            return
        asked.person, who = asked.session.person, asked.session.key
    if wait := asked.desk.rates.take(who):
        raise Refused(429, shell.TOO_MANY, {"Retry-After": str(math.ceil(wait))})


def _program(asked: Asked, given: str) -> Person:
    """The program of an Authorization header (RFC 6750)."""
    scheme, _, token = given.partition(" ")
    known = asked.desk.known
    person = None
    if scheme.lower() == "bearer" and len(token) <= LONGEST_TOKEN and known is not None:
        person = known.program(token.strip())
    if person is None:
        asked.event = SIGN_IN_REFUSED
        raise Refused(401, shell.NO_SUCH_TOKEN, WRONG_TOKEN)
    return person


async def _form(asked: Asked, page: Page) -> FormData:
    """The form of a request, which has to be one of the desk's own pages."""
    headers = asked.request.headers
    if page.roles is None and "origin" not in headers and "sec-fetch-site" not in headers:
        # There is no session whose token could tell; guard.py has looked at both.
        raise Refused(403, shell.NOT_OUR_FORM)

    def check(given: object) -> None:
        token = "" if asked.session is None else asked.session.form_token
        if page.roles is not None and not is_of(given, token):
            raise Refused(403, shell.NOT_OUR_FORM)

    if page.takes_file:
        if asked.session is None:
            raise Refused(403, shell.NOT_OUR_FORM)
        fields, asked.upload = await receive(asked.request, asked.desk.uploads, asked.session.key, check)
        return fields
    length = headers.get("content-length", "")
    if length.isdigit() and int(length) > page.largest:  # said before any of it comes
        raise Refused(413, shell.TOO_LARGE, {"Connection": "close"})
    try:
        fields = await asked.request.form(max_files=1, max_fields=MOST_FIELDS, max_part_size=LARGEST_FIELD)
    except HTTPException as error:  # what it says may be in no language of ours
        raise Refused(400, shell.NO_FORM) from error
    check(fields.get(FORM_TOKEN))
    return fields


def _refusal(asked: Asked, page: Page, error: FlowdiagError) -> Response:
    status = error.status if isinstance(error, Refused) else 400 if isinstance(error, UsageError) else 503
    headers = error.headers if isinstance(error, Refused) else {}
    if page.api:
        return problem(status, str(error), headers)
    if status == 401 and asked.request.method in SAFE_METHODS:
        return RedirectResponse(sign_in_first(asked), 303)
    answer = rendered(asked, "refused.html", status=status, title=shell.REFUSED, reason=_reason(error))
    answer.headers.update(headers)
    return answer


def _reason(error: FlowdiagError) -> str:
    said = str(error)
    return said if error.file else shell.sentence(said)  # a file's name stays as it is


def sign_in_first(asked: Asked) -> str:
    """The page to sign in, which leads on to what was asked for."""
    url = asked.request.url
    wanted = f"{url.path}?{url.query}" if url.query else url.path
    return SIGN_IN if wanted == "/" else f"{SIGN_IN}?{urlencode({'to': wanted})}"
