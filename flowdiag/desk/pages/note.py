"""Asking about a site and reading the note: from words of time to a note that stays at its address."""

from __future__ import annotations

import re
from base64 import b64encode
from datetime import datetime
from hashlib import sha256
from typing import Final

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from flowdiag.desk.asked import Asked, Refused
from flowdiag.desk.asked_times import WrongTime, moment, typed_times
from flowdiag.desk.asking.note_question import NoteAnswer, NoteQuestion
from flowdiag.desk.kept_notes import KeptNote
from flowdiag.desk.looking import Look
from flowdiag.desk.pages.addresses import NOW, question_address
from flowdiag.desk.pages.front import ASKERS, CLOSE_LOOKERS, EVERYBODY, FORM_FIELDS, site_page
from flowdiag.desk.pages.waiting import answer_or_wait
from flowdiag.desk.rendering import page
from flowdiag.desk.routing import Page
from flowdiag.errors import UsageError
from flowdiag.text.clock import Clock
from flowdiag.text.wording.desk import ask as wording
from flowdiag.text.wording.desk import closer as closer_words
from flowdiag.text.wording.desk import shell

# Says of an address that its times were counted back from the newest record and not from now.
PLACED: Final = "placed"
LONGEST_SAID: Final = 2_000
LONGEST_TICKET: Final = 100
# What of the answer each form is, for those who read whole notes and for a client.
FOR_STAFF: Final = {
    "text": "text",
    "markdown": "markdown",
    "json": "json",
    "page": "page",
    "brief": "brief",
    "client": "client_page",
}
CLIENT_FORMS: Final = {"text": "client_text", "markdown": "client_markdown", "client": "client_page"}
SUFFIXES: Final = {
    "text": "txt",
    "markdown": "md",
    "json": "json",
    "page": "html",
    "brief": "html",
    "client": "html",
}
SHORT_ID: Final = 8  # letters of a note's identifier in a file's name
MEDIA: Final = {
    "text": "text/plain; charset=utf-8",
    "markdown": "text/markdown; charset=utf-8",
    "json": "application/json",
    "page": "text/html; charset=utf-8",
    "brief": "text/html; charset=utf-8",
    "client": "text/html; charset=utf-8",
}
# Whole files bring a style of their own, which their policy allows, and nothing else.
FILE_POLICY: Final = (
    "default-src 'none'; style-src {style}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_STYLE: Final = re.compile(r"<style>(.*?)</style>", re.DOTALL)


async def ask(asked: Asked) -> Response:
    """What was typed becomes times with dates, and the address of the question."""
    form = {name: asked.query(name) or "" for name in FORM_FIELDS}
    try:
        times = await typed_times(asked, form["when"] or wording.USUAL_WHEN, form["beside"] or None)
    except WrongTime as error:
        return site_page(asked, form, error)
    return asked.to(
        question_address(
            asked.the_site.key,
            {
                "from": times.window_from,
                "to": times.window_to,
                "said": form["said"],
                "ticket": form["ticket"],
                "beside": times.beside or "",
                PLACED: "1" if times.remark is not None else "",
            },
        )
    )


async def question(asked: Asked) -> Response:
    """The answer at its own address, which stays; or a page that waits for it."""
    if asked.query("to") == NOW:
        return asked.to(_until_now(asked))
    wanted = asked_question(asked)
    found: NoteAnswer | Response = await answer_or_wait(asked, wanted, wording.NOTE)
    if isinstance(found, Response):
        return found
    identifier = await run_in_threadpool(asked.desk.notes.keep, asked.the_site.key, wanted, found)
    placed = f"?{PLACED}=1" if asked.query(PLACED) else ""
    return asked.to(f"/sites/{asked.the_site.key}/notes/{identifier}{placed}")


def _until_now(asked: Asked) -> str:
    """The address of the question that ends now, with the time. Raises UsageError for a begin that is none."""
    begin = moment(asked, "from", asked.query("from"))
    end = datetime.now(begin.tzinfo).replace(second=0, microsecond=0)
    return question_address(asked.the_site.key, {"from": begin.isoformat(), "to": end.isoformat()})


def asked_question(asked: Asked) -> NoteQuestion:
    """The question that the address is. Raises UsageError for times that are none."""
    site = asked.the_site
    begin, end = (moment(asked, name, asked.query(name)) for name in ("from", "to"))
    if end <= begin:
        raise UsageError("the time ends before it begins", expected="to after from")
    return NoteQuestion(
        **asked.span(begin.isoformat(), end.isoformat()),
        reported=(asked.query("said") or "")[:LONGEST_SAID] or None,
        ticket=(asked.query("ticket") or "")[:LONGEST_TICKET] or None,
        beside=asked.query("beside"),
        pseudonyms=not asked.who.is_staff and site.profile.site.pseudonyms,
    )


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
        beside=beside_pictures(asked, answer),
        look=_look(asked, answer),
        closer=closer_words,
        here=asked.request.url.path,
        placed=asked.query(PLACED) is not None,
    )


def pictures(asked: Asked, answer: NoteAnswer) -> tuple[tuple[str, str, str], ...]:
    """For a client the rate alone: who used the line is the engineer's part. What is drawn beside another time is not drawn
    twice."""
    if not asked.who.reads_whole_notes:
        return answer.lead[:1]
    beside = () if answer.beside is None else answer.beside.pictures
    again = answer.lead and beside and beside[0][0].title.startswith(f"{answer.lead[0].title}:")
    return answer.lead[1:] if again else answer.lead


def beside_pictures(
    asked: Asked, answer: NoteAnswer
) -> list[tuple[tuple[Markup, ...], tuple[int, int]]] | None:
    """The picture of each of two times with its axis; None where no other was asked for, or for a client."""
    if answer.beside is None or not asked.who.reads_whole_notes:
        return None
    return [(tuple(map(Markup, picture)), axis_ms) for picture, axis_ms in answer.beside.pictures]


def _look(asked: Asked, answer: NoteAnswer) -> Look | None:
    """A close look at the time of a note, for those who may have one."""
    if not asked.who.roles & CLOSE_LOOKERS:
        return None
    return Look(asked.the_site.key, answer.timezone, answer.window_ms)


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
        raise Refused(404, shell.NO_SUCH_NOTE)
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
    if form not in MEDIA:
        raise Refused(404, shell.NO_SUCH_PAGE)
    whole = asked.who.reads_whole_notes
    if not whole and form not in CLIENT_FORMS:
        raise Refused(404, shell.NO_SUCH_PAGE)
    content: str = getattr(answer, FOR_STAFF[form] if whole else CLIENT_FORMS[form])
    if not content:
        raise Refused(404, shell.NO_SUCH_PAGE)
    headers = {}
    if MEDIA[form].startswith("text/html"):
        headers["Content-Security-Policy"] = file_policy(content)
    if asked.query("save"):
        name = f"{asked.the_site.key}-{asked.request.path_params['note'][:SHORT_ID]}-{form}.{SUFFIXES[form]}"
        headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return Response(content, media_type=MEDIA[form], headers=headers)


def file_policy(content: str) -> str:
    """A Content-Security-Policy (CSP level 3) for a file that has one style: that style applies."""
    styles = (sha256(style.encode()).digest() for style in _STYLE.findall(content))
    allowed = " ".join(f"'sha256-{b64encode(digest).decode()}'" for digest in styles)
    return FILE_POLICY.format(style=allowed or "'none'")


PAGES: Final = (
    Page("/sites/{site}/ask", ask, roles=ASKERS),
    Page("/sites/{site}/note", question, roles=ASKERS),
    Page("/sites/{site}/notes/{note}", show, roles=EVERYBODY),
    Page("/sites/{site}/notes/{note}/{form}", as_file, roles=EVERYBODY),
)
