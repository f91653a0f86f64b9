"""Asking about a site and reading the note: from words of time to a note that stays at its address."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from markupsafe import Markup
from starlette.responses import Response

from flowdiag.desk.asked import Asked, Refused
from flowdiag.desk.asking.note_question import NoteAnswer, NoteQuestion, Times, TimesQuestion
from flowdiag.desk.kept_notes import KeptNote
from flowdiag.desk.pages.addresses import question_address
from flowdiag.desk.pages.board_rows import standing_of
from flowdiag.desk.pages.front import ASKERS, EVERYBODY, FIELDS, site_time
from flowdiag.desk.pages.waiting import answer_or_wait
from flowdiag.desk.rendering import page
from flowdiag.desk.routing import Page
from flowdiag.errors import UsageError
from flowdiag.site.span_words import span_of
from flowdiag.site.window import read_compared
from flowdiag.text.clock import Clock
from flowdiag.text.wording.desk import ask as wording
from flowdiag.text.wording.desk import shell

LONGEST_SAID: Final = 2_000
LONGEST_TICKET: Final = 100
STAFF_FORMS: Final = ("text", "markdown", "json", "page", "brief")
MEDIA: Final = {
    "text": "text/plain; charset=utf-8",
    "markdown": "text/markdown; charset=utf-8",
    "json": "application/json",
    "page": "text/html; charset=utf-8",
    "brief": "text/html; charset=utf-8",
}
# Whole files bring a style and a policy of their own, which allows that style and nothing else.
FILE_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
_WEEK, _DAY = timedelta(days=7), timedelta(days=1)


async def ask(asked: Asked) -> Response:
    """What was typed becomes times with dates, and the address of the question."""
    form = {name: asked.query(name) or "" for name in FIELDS}
    try:
        times = await _times(asked, form["when"] or wording.USUAL_WHEN)
        beside = _beside(form["beside"], times, asked.the_site.timezone)
    except UsageError as error:
        return page(
            asked, "site.html", status=400, wording=wording, site=asked.the_site, now=site_time(asked), form=form,
            fault=str(error), standing=standing_of(asked),
        )  # fmt: skip
    return asked.to(
        question_address(
            asked.the_site.key,
            {
                "from": times.window_from,
                "to": times.window_to,
                "said": form["said"],
                "ticket": form["ticket"],
                "beside": beside,
            },
        )
    )


async def _times(asked: Asked, when: str) -> Times:
    begin, end = span_of(when)
    now_ms = time.time_ns() // 1_000_000
    question = TimesQuestion(asked.desk.settings.store, asked.the_site.file, begin, end, now_ms)
    found: Times = await asked.desk.answers.answer(question)
    return found


def _beside(words: str, times: Times, timezone: str) -> str:
    """Another time as --compare takes it. Raises UsageError for what cannot be read."""
    back = {wording.LAST_WEEK: _WEEK, wording.DAY_BEFORE: _DAY}.get(words)
    if back is None:
        if words:
            read_compared(words)
        return words
    zone = ZoneInfo(timezone)
    ends = (datetime.fromisoformat(text).astimezone(zone) for text in (times.window_from, times.window_to))
    return " to ".join((end.replace(tzinfo=None) - back).isoformat() for end in ends)


async def question(asked: Asked) -> Response:
    """The answer at its own address, which stays; or a page that waits for it."""
    wanted = asked_question(asked)
    found: NoteAnswer | Response = await answer_or_wait(asked, wanted, wording.NOTE)
    if isinstance(found, Response):
        return found
    identifier = asked.desk.notes.keep(asked.the_site.key, wanted, found)
    return asked.to(f"/sites/{asked.the_site.key}/notes/{identifier}")


def asked_question(asked: Asked) -> NoteQuestion:
    """The question that the address is. Raises UsageError for times that are none."""
    site = asked.the_site
    begin, end = (_moment(asked, name) for name in ("from", "to"))
    if end <= begin:
        raise UsageError("the time ends before it begins", expected="to after from")
    return NoteQuestion(
        store=asked.desk.settings.store,
        file=site.file,
        digest=site.digest,
        window_from=begin.isoformat(),
        window_to=end.isoformat(),
        reported=(asked.query("said") or "")[:LONGEST_SAID] or None,
        ticket=(asked.query("ticket") or "")[:LONGEST_TICKET] or None,
        beside=asked.query("beside"),
        pseudonyms=not asked.who.is_staff and site.profile.site.pseudonyms,
    )


def _moment(asked: Asked, name: str) -> datetime:
    """A time of the address; without an offset it is the site's."""
    text = asked.query(name) or ""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(
            f"{name}: {text[:40]!r} is no time", expected="ISO 8601 such as 2026-03-02T14:00"
        ) from None
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=ZoneInfo(asked.the_site.timezone))


async def show(asked: Asked) -> Response:
    note = kept(asked)
    answer, clock = note.answer, Clock(note.answer.timezone)
    begin, end = answer.window_ms
    return page(
        asked,
        "note.html",
        wording=wording,
        site=asked.the_site,
        answer=answer,
        client=Markup(answer.client),
        engineer=Markup(answer.engineer) if asked.who.reads_whole_notes else None,
        lead=[tuple(map(Markup, picture)) for picture in pictures(asked, answer)],
        span=clock.full_span(begin, end),
        made=clock.full_span(note.made_ms, note.made_ms + 1000),
        again=again(note),
        question=note.question,
        here=asked.request.url.path,
    )


def pictures(asked: Asked, answer: NoteAnswer) -> tuple[tuple[str, str, str], ...]:
    """For a client the rate alone: who used the line is the engineer's part."""
    return answer.lead if asked.who.reads_whole_notes else answer.lead[:1]


def kept(asked: Asked) -> KeptNote:
    """The note of the address. Raises Refused where there is none, or one that is not for a client's eyes."""
    note = asked.desk.notes.get(asked.the_site.key, asked.request.path_params["note"])
    profile = asked.the_site.profile
    hidden = (
        not asked.who.is_staff
        and profile.site.pseudonyms
        and note is not None
        and not note.question.pseudonyms
    )
    if note is None or hidden:
        raise Refused(404, shell.NO_SUCH_PAGE)
    return note


def again(note: KeptNote) -> str:
    """The address of the same question."""
    question = note.question
    return question_address(
        note.site,
        {
            "from": question.window_from,
            "to": question.window_to,
            "said": question.reported or "",
            "ticket": question.ticket or "",
            "beside": question.beside or "",
        },
    )


async def as_file(asked: Asked) -> Response:
    """The note in a format, byte for byte as it was made."""
    form, answer = asked.request.path_params["form"], kept(asked).answer
    if form not in STAFF_FORMS:
        raise Refused(404, shell.NO_SUCH_PAGE)
    content: str = getattr(answer, form)
    if not asked.who.reads_whole_notes:
        if form not in ("text", "markdown"):
            raise Refused(404, shell.NO_SUCH_PAGE)
        content = answer.client_text if form == "text" else answer.client_markdown
    headers = {"Content-Security-Policy": FILE_POLICY} if form in ("page", "brief") else {}
    return Response(content, media_type=MEDIA[form], headers=headers)


PAGES: Final = (
    Page("/sites/{site}/ask", ask, roles=ASKERS),
    Page("/sites/{site}/note", question, roles=ASKERS),
    Page("/sites/{site}/notes/{note}", show, roles=EVERYBODY),
    Page("/sites/{site}/notes/{note}/{form}", as_file, roles=EVERYBODY),
)
