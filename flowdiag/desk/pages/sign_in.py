"""Signing in by the link that the desk printed, and signing out."""

from __future__ import annotations

from typing import Final

from starlette.responses import Response

from flowdiag.desk.access.one_time import PATH
from flowdiag.desk.access.sessions import COOKIE
from flowdiag.desk.asked import Asked, Refused
from flowdiag.desk.people import ROLES, Person
from flowdiag.desk.rendering import page
from flowdiag.desk.routing import SIGN_IN, Page
from flowdiag.text.wording.desk import sign_in as wording


async def show(asked: Asked) -> Response:
    return page(asked, "sign_in.html", wording=wording)


async def by_link(asked: Asked) -> Response:
    person = asked.desk.link.redeem(asked.query("once") or "")
    if person is None:
        raise Refused(403, wording.LINK_USED)
    return signed_in(asked, person)


def signed_in(asked: Asked, person: Person) -> Response:
    """A new session, whatever session there was, and the way to the first page."""
    if asked.session is not None:
        asked.desk.sessions.end(asked.session.key)
    session = asked.desk.sessions.begin(person)
    answer = asked.to("/")
    answer.set_cookie(COOKIE, session.key, secure=True, httponly=True, samesite="lax", path="/")
    return answer


async def sign_out(asked: Asked) -> Response:
    if asked.session is not None:
        asked.desk.uploads.end_all(asked.session.key)
        asked.desk.sessions.end(asked.session.key)
    answer = asked.to(SIGN_IN)
    answer.delete_cookie(COOKIE, secure=True, httponly=True, samesite="lax", path="/")
    return answer


PAGES: Final = (
    Page(SIGN_IN, show, roles=None),
    Page(PATH, by_link, roles=None),
    Page("/sign-out", sign_out, roles=frozenset(ROLES), methods=("POST",)),
)
