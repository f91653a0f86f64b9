"""Ticket notes: asked for, and as they were kept."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from flowdiag.desk.api.operation import AS, JSON, Given, Operation, Parameter, answer_or_later, as_parameter
from flowdiag.desk.api.schemas import reference
from flowdiag.desk.api.sites import SITE
from flowdiag.desk.asked import Asked, Refused
from flowdiag.desk.asking.note_question import NoteAnswer, NoteQuestion
from flowdiag.desk.pages.front import ASKERS, EVERYBODY
from flowdiag.desk.pages.note import LONGEST_SAID, LONGEST_TICKET, kept
from flowdiag.errors import UsageError
from flowdiag.site.window import read_compared
from flowdiag.text.wording.desk import api as wording

FORMS: Final = {
    "json": (JSON, reference("Note")),
    "markdown": ("text/markdown; charset=utf-8", {"type": "string"}),
    "text": ("text/plain; charset=utf-8", {"type": "string"}),
}
SPAN: Final = (
    Parameter("from", wording.FROM, {"type": "string", "format": "date-time"}, is_required=True),
    Parameter("to", wording.TO, {"type": "string", "format": "date-time"}, is_required=True),
)


def span_of(given: Given) -> tuple[str, str]:
    """ISO 8601. Raises UsageError for an end that is not after the begin."""
    begin, end = given["from"], given["to"]
    assert isinstance(begin, datetime)
    assert isinstance(end, datetime)
    if end <= begin:
        raise UsageError(wording.ENDS_BEFORE, expected="to after from")
    return begin.isoformat(), end.isoformat()


async def asked_for(asked: Asked, given: Given) -> Response:
    form = _form(asked, given)
    site = asked.the_site
    begin, end = span_of(given)
    if given.get("beside"):
        read_compared(given["beside"])
    question = NoteQuestion(
        **asked.span(begin, end),
        reported=given.get("said") or None,
        ticket=given.get("ticket") or None,
        beside=given.get("beside") or None,
        pseudonyms=not asked.who.is_staff and site.profile.site.pseudonyms,
    )
    found: NoteAnswer | Response = await answer_or_later(asked, question)
    if isinstance(found, Response):
        return found
    identifier = await run_in_threadpool(asked.desk.notes.keep, site.key, question, found)
    address = f"/api/sites/{site.key}/notes/{identifier}"
    return NOTE.response(form, _content(asked, found, form), {"Content-Location": address})


async def as_kept(asked: Asked, given: Given) -> Response:
    form = _form(asked, given)
    return KEPT.response(form, _content(asked, kept(asked).answer, form))


def _form(asked: Asked, given: Given) -> str:
    """Raises Refused where somebody who reads the client's part alone asks for all."""
    form: str = given[AS]
    if form == "json" and not asked.who.reads_whole_notes:
        raise Refused(403, wording.CLIENT_FORMS)
    return form


def _content(asked: Asked, answer: NoteAnswer, form: str) -> str:
    whole = asked.who.reads_whole_notes
    content: str = getattr(answer, form if whole else f"client_{form}")
    return content


NOTE: Final = Operation(
    "note",
    "/api/sites/{site}/note",
    wording.NOTE,
    asked_for,
    ASKERS,
    FORMS,
    (
        SITE,
        *SPAN,
        Parameter("said", wording.SAID, {"type": "string", "maxLength": LONGEST_SAID}),
        Parameter("ticket", wording.TICKET, {"type": "string", "maxLength": LONGEST_TICKET}),
        Parameter("beside", wording.BESIDE, {"type": "string", "maxLength": 100}),
        as_parameter(*FORMS),
    ),
    is_long=True,
)
KEPT: Final = Operation(
    "kept",
    "/api/sites/{site}/notes/{note}",
    wording.KEPT,
    as_kept,
    EVERYBODY,
    FORMS,
    (
        SITE,
        Parameter("note", wording.NOTE_KEY, {"type": "string", "pattern": "^[a-z2-7]{24}$"}),
        as_parameter(*FORMS),
    ),
)
OPERATIONS: Final = (NOTE, KEPT)
