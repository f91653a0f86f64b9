"""Signing in: by the link that the desk printed, by an account of the access file, by OpenID Connect; and signing out."""

from __future__ import annotations

import re
from contextlib import suppress
from typing import Any, Final
from urllib.parse import urlencode

import click
from starlette.responses import Response

from flowdiag.desk.access import openid
from flowdiag.desk.access.audit import SIGN_IN_REFUSED, SIGNED_IN, SIGNED_OUT
from flowdiag.desk.access.known import Again
from flowdiag.desk.access.one_time import PATH
from flowdiag.desk.access.passwords import LONGEST
from flowdiag.desk.access.rates import address_key
from flowdiag.desk.access.sessions import COOKIE
from flowdiag.desk.asked import Asked, Refused
from flowdiag.desk.people import ROLES, Person
from flowdiag.desk.rendering import page
from flowdiag.desk.routing import SIGN_IN, Page
from flowdiag.text.wording.desk import shell
from flowdiag.text.wording.desk import sign_in as wording

OPENID: Final = "/sign-in/openid"
OPENID_BACK: Final = "/sign-in/openid/back"
LONGEST_NAME: Final = 200
LONGEST_ADDRESS: Final = 4_000
_OWN: Final = re.compile(
    r"/(?!/)[!-\[\]-~]*"
)  # printable ASCII without a backslash, which browsers take for a slash
_FORM: Final = 16 << 10  # octets


async def show(asked: Asked) -> Response:
    return _form(asked, 200)


def _form(asked: Asked, status: int, fault: str | None = None) -> Response:
    known = asked.desk.known
    provider = None if known is None else known.openid
    to = own_address(asked.field("to") or asked.query("to"))
    return page(
        asked,
        "sign_in.html",
        status=status,
        wording=wording,
        by_link=known is None,
        by_password=known is not None and known.has_accounts,
        provider=None if provider is None else provider.title,
        provider_at=f"{OPENID}?{urlencode({'to': to})}",
        to=to,
        name=asked.tried or "",
        fault=fault,
    )


def own_address(given: str | None) -> str:
    """An address of the desk's own pages as it was given; the first page's for any other."""
    return given if given and len(given) <= LONGEST_ADDRESS and _OWN.fullmatch(given) else "/"


async def by_link(asked: Asked) -> Response:
    """Not by HEAD, with which programs look at a link before its owner does."""
    if asked.request.method != "GET":
        raise Refused(405, shell.NO_SUCH_METHOD)
    person = asked.desk.link.redeem(asked.query("once") or "")
    if person is None:
        asked.event = SIGN_IN_REFUSED
        raise Refused(403, wording.LINK_USED)
    return signed_in(asked, person)


async def by_password(asked: Asked) -> Response:
    known = asked.desk.known
    if known is None or not known.has_accounts:
        raise Refused(404, shell.NO_SUCH_PAGE)
    given: Any = asked.fields.get("password")
    password = given if isinstance(given, str) else ""
    name = asked.tried = (asked.field("name") or "")[:LONGEST_NAME]
    asked.event = SIGN_IN_REFUSED
    address = address_key(asked.address)
    if wait := asked.desk.tries.begin(name, address):
        answer = _form(asked, 429, wording.wait(wait))
        answer.headers["Retry-After"] = str(wait)
        return answer
    hashed = known.password_hash(name)
    if len(password) > LONGEST or not await asked.desk.passwords.is_right(hashed, password):
        return _form(asked, 403, wording.WRONG)
    asked.desk.tries.succeeded(name, address)
    assert hashed is not None
    person = known.account(name, hashed)
    if person is None:  # taken out of the file meanwhile
        return _form(asked, 403, wording.WRONG)
    return signed_in(asked, person, lambda: known.account(name, hashed), asked.field("to"))


async def to_provider(asked: Asked) -> Response:
    provider = _provider(asked)
    address, browser = await asked.desk.sign_ins.begin(provider, _back(asked), own_address(asked.query("to")))
    answer = asked.to(address)
    answer.set_cookie(
        openid.COOKIE,
        browser,
        max_age=int(openid.LONGEST_S),
        secure=True,
        httponly=True,
        samesite="lax",
        path="/",
    )
    return answer


async def from_provider(asked: Asked) -> Response:
    asked.event = SIGN_IN_REFUSED
    known, provider = asked.desk.known, _provider(asked)
    browser = asked.request.cookies.get(openid.COOKIE)
    try:
        claims, to = await asked.desk.sign_ins.finish(
            provider, _back(asked), browser, asked.request.query_params
        )
    except openid.NotSignedIn as error:
        raise Refused(403, str(error)) from None
    assert known is not None
    person = known.vouched(claims)
    if person is None:
        asked.tried = f"openid:{claims.get('sub')}"
        raise Refused(403, wording.NOT_LISTED)
    answer = signed_in(asked, person, lambda: known.vouched(claims), to)
    answer.delete_cookie(openid.COOKIE, secure=True, httponly=True, samesite="lax", path="/")
    return answer


def _provider(asked: Asked) -> Any:
    known = asked.desk.known
    if known is None or known.openid is None:
        raise Refused(404, shell.NO_SUCH_PAGE)
    return known.openid


def _back(asked: Asked) -> str:
    """Where the provider sends the browser: by a name that guard.py has let pass."""
    scheme = "https" if asked.desk.settings.is_secure else asked.request.url.scheme
    return f"{scheme}://{asked.request.headers['host']}{OPENID_BACK}"


def signed_in(asked: Asked, person: Person, again: Again | None = None, to: str | None = None) -> Response:
    """A new session, whatever session there was, and the way on."""
    _end_session(asked)
    session = asked.desk.sessions.begin(person, again)
    asked.person, asked.event = person, SIGNED_IN
    answer = asked.to(own_address(to))
    answer.set_cookie(COOKIE, session.key, secure=True, httponly=True, samesite="lax", path="/")
    return answer


def _end_session(asked: Asked) -> None:
    """The one that the browser has, with what it brought."""
    if asked.session is not None:
        asked.desk.uploads.end_all(asked.session.key)
        asked.desk.sessions.end(asked.session.key)


async def sign_out(asked: Asked) -> Response:
    _end_session(asked)
    asked.event = SIGNED_OUT
    if asked.desk.known is None:  # its link was used up by signing in
        with suppress(OSError):  # where its terminal is gone
            click.echo(asked.desk.new_link())
    answer = asked.to(SIGN_IN)
    answer.delete_cookie(COOKIE, secure=True, httponly=True, samesite="lax", path="/")
    answer.headers["Clear-Site-Data"] = '"cache", "storage"'
    return answer


PAGES: Final = (
    Page(SIGN_IN, show, roles=None),
    Page(SIGN_IN, by_password, roles=None, methods=("POST",), largest=_FORM),
    Page(PATH, by_link, roles=None),
    Page(OPENID, to_provider, roles=None),
    Page(OPENID_BACK, from_provider, roles=None),
    Page("/sign-out", sign_out, roles=frozenset(ROLES), methods=("POST",)),
)
