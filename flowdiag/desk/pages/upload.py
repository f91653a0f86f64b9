"""An export that somebody brings: taken, looked into, told whose it is, and answered by a note. Nothing stays unless asked."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any, Final

from markupsafe import Markup
from msgspec import Struct
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from flowdiag.desk.asked import Asked, Refused
from flowdiag.desk.asking.note_question import NoteAnswer, NoteQuestion
from flowdiag.desk.asking.question import Question
from flowdiag.desk.asking.upload_question import UploadNoteQuestion, UploadQuestion, UploadSeen
from flowdiag.desk.asking.workers import Overloaded, Unanswered
from flowdiag.desk.pages.note import FOR_STAFF, LONGEST_SAID, LONGEST_TICKET, MEDIA, SUFFIXES, file_policy
from flowdiag.desk.pages.waiting import answer_or_wait
from flowdiag.desk.people import Role
from flowdiag.desk.profile_form import filled
from flowdiag.desk.rendering import page
from flowdiag.desk.routing import Page
from flowdiag.durations import SECOND_MS
from flowdiag.errors import ExportError, FlowdiagError, UsageError
from flowdiag.site.catalogue import KnownSite
from flowdiag.site.clock import LocalTime, nearest
from flowdiag.site.span_words import span_of
from flowdiag.text.clock import Clock
from flowdiag.text.wording.desk import ask as ask_wording
from flowdiag.text.wording.desk import shell
from flowdiag.text.wording.desk import upload as wording

UPLOADERS: Final[frozenset[Role]] = frozenset({"helpdesk", "engineer"})
HOME: Final = "/upload"
MOST_ZONES: Final = 40  # that are offered
MOST_NAMED: Final = 5  # sites that a fault lists


async def show(asked: Asked) -> Response:
    return _start(asked)


def _start(asked: Asked, fault: str | None = None, status: int = 200) -> Response:
    return page(
        asked,
        "upload.html",
        status=status,
        wording=wording,
        largest=asked.desk.settings.largest_upload,
        fault=fault,
    )


async def take(asked: Asked) -> Response:
    """The file has come (receiving.py): its own page shows what is in it."""
    upload = asked.upload
    if upload is None:
        return _start(asked, wording.NO_FILE, 400)
    if not upload.octets:
        asked.desk.uploads.end(upload)
        return _start(asked, wording.NO_FILE, 400)
    return asked.to(upload.address)


async def look(asked: Asked) -> Response:
    seen = await _seen(asked)
    return seen if isinstance(seen, Response) else _form(asked, seen, asked.the_upload.faults)


async def _seen(asked: Asked) -> UploadSeen | Response:
    """What is in it; the page that waits for it; or, of what cannot be read, what is wrong: then it goes at once. Raises
    FlowdiagError where there is no answer now; then it stays."""
    upload = asked.the_upload
    try:
        found: UploadSeen | Response = await _answer(
            asked, UploadQuestion(str(upload.file), upload.name), wording.READING
        )
    except (ExportError, Unanswered) as error:
        asked.desk.uploads.end(upload)
        said = str(error)
        return _start(asked, wording.not_usable(said) if isinstance(error, ExportError) else said, 400)
    return found


async def _answer(asked: Asked, question: Question, title: str) -> Any:
    asked.the_upload.questions.add(question.key)
    return await answer_or_wait(asked, question, title)


def _form(asked: Asked, seen: UploadSeen, faults: dict[str, str]) -> Response:
    upload = asked.the_upload
    typed = upload.typed or _guessed(asked, seen)
    return page(
        asked,
        "upload_site.html",
        status=400 if faults else 200,
        wording=wording,
        ask=ask_wording,
        upload=upload,
        seen=seen,
        figures=[*seen.figures, *_times(seen, _zone(asked, typed))],
        zones=sorted({site.timezone for site in asked.sites()})[:MOST_ZONES],
        typed=typed,
        faults=faults,
    )


def _guessed(asked: Asked, seen: UploadSeen) -> dict[str, str]:
    """What the form says at first: the draft, and the desk's site with that exporter if there is just one."""
    typed = {
        "site.lan": "\n".join(seen.lan),
        "site.exporters": "\n".join(seen.exporters),
        "whose": "drafted",
    }
    for number, line in enumerate(seen.lines):
        own = f"link.{number}"
        typed |= {f"{own}.name": line.name, f"{own}.role": line.role, f"{own}.interfaces": line.interfaces}
        if line.role == "backup":
            typed[f"{own}.variable"] = "1"
        for place, probe in enumerate(line.keepalives):
            typed[f"{own}.keepalive.{place}.use"] = "1"
            for name in probe.__struct_fields__:
                typed[f"{own}.keepalive.{place}.{name}"] = getattr(probe, name)
    own_sites = [site for site in asked.sites() if set(seen.exporters) & set(site.profile.site.exporters)]
    if len(own_sites) == 1:
        typed |= {"whose": "desk", "site": own_sites[0].name}
    return typed


def _zone(asked: Asked, typed: Mapping[str, str]) -> str:
    """The time zone of the site that the form speaks of, UTC while it does not say."""
    if typed.get("whose") == "desk":
        site = _named(asked, typed.get("site", ""))
        return "UTC" if isinstance(site, str) else site.timezone
    zone = typed.get("site.timezone", "")
    return "UTC" if not zone or "site.timezone" in asked.the_upload.faults else zone


def _times(seen: UploadSeen, zone: str) -> Iterator[tuple[str, str]]:
    clock = Clock(zone)
    for name, ms in ((wording.FIRST, seen.first_ms), (wording.LAST, seen.last_ms)):
        if ms is not None:
            whole = nearest(ms, SECOND_MS)
            time = clock.local(whole).strftime("%H:%M:%S")
            yield name, wording.moment(clock.day(whole), time, clock.zone(whole))


class _Asked(Struct):
    """What the form asks for: a site of the desk, or a profile as JSON."""

    site: KnownSite | None
    profile: str | None


async def ask(asked: Asked) -> Response:
    """What was filled in becomes the question; what is wrong with it is said beside each field."""
    upload = asked.the_upload
    upload.typed = {
        name: text for name in asked.fields if (text := asked.field(name)) and name != "form_token"
    }
    faults: dict[str, str] = {}
    about = _whose(asked, faults)
    begin, end = None, None
    when = asked.field("when")
    if when is not None:
        try:
            begin, end = span_of(when)
        except UsageError as error:
            faults["when"] = str(error)
    upload.faults = faults
    if faults:
        return asked.to(upload.address)  # so that a browser's way back asks for no form to be sent again
    upload.site = None if about.site is None else about.site.key
    upload.wanted = UploadNoteQuestion(
        file=str(upload.file),
        name=upload.name,
        site=None if about.site is None else about.site.file,
        digest=None if about.site is None else about.site.digest,
        profile=about.profile,
        window_from=begin,
        window_to=end,
        reported=(asked.field("said") or "")[:LONGEST_SAID] or None,
        ticket=(asked.field("ticket") or "")[:LONGEST_TICKET] or None,
    )
    return asked.to(f"{upload.address}/note")


def _whose(asked: Asked, faults: dict[str, str]) -> _Asked:
    if asked.field("whose") == "desk":
        found = _named(asked, asked.field("site") or "")
        if isinstance(found, str):
            faults["site"] = found
            return _Asked(None, None)
        return _Asked(found, None)
    came_to = filled(asked.the_upload.typed)
    faults |= came_to.faults
    return _Asked(None, json.dumps(came_to.raw))


def _named(asked: Asked, words: str) -> KnownSite | str:
    """The one of the person's sites that is meant, or why there is not one."""
    found = asked.desk.catalogue.find(words, asked.sites()) if words else []
    same = [site for site in found if site.name.casefold() == words.casefold()]
    found = same or found
    if len(found) == 1:
        return found[0]
    if not found:
        return wording.NO_SITE
    names = [f"{site.name} ({site.place})" for site in found[:MOST_NAMED]]
    return wording.several_sites(names, len(found) - len(names))


async def note(asked: Asked) -> Response:
    answer = await _note(asked)
    if isinstance(answer, Response):
        return answer
    clock = Clock(answer.timezone)
    site = _site(asked)
    return page(
        asked,
        "upload_note.html",
        wording=wording,
        ask=ask_wording,
        upload=asked.the_upload,
        site=site,
        answer=answer,
        client=Markup(answer.client),
        engineer=Markup(answer.engineer),
        lead=[tuple(map(Markup, picture)) for picture in answer.lead],
        span=clock.full_span(*answer.window_ms),
    )


async def _note(asked: Asked) -> NoteAnswer | Response:
    """The note; the page that waits for it; or the form again, which says what is wrong."""
    upload = asked.the_upload
    if upload.wanted is None:
        return asked.to(upload.address)
    try:
        found: NoteAnswer | Response = await _answer(asked, upload.wanted, ask_wording.NOTE)
    except (Refused, Overloaded):
        raise
    except FlowdiagError as error:
        seen = await _seen(asked)
        return seen if isinstance(seen, Response) else _form(asked, seen, {"": str(error)})
    return found


def _site(asked: Asked) -> KnownSite | None:
    """The site of the desk that the upload is said to be of, if the person still may see it."""
    return next((site for site in asked.sites() if site.key == asked.the_upload.site), None)


async def as_file(asked: Asked) -> Response:
    form = asked.request.path_params["form"]
    if form not in FOR_STAFF:
        raise Refused(404, shell.NO_SUCH_PAGE)
    answer = await _note(asked)
    if isinstance(answer, Response):
        return answer
    content: str = getattr(answer, FOR_STAFF[form])
    headers = {"Content-Disposition": f'attachment; filename="note-{form}.{SUFFIXES[form]}"'}
    if MEDIA[form].startswith("text/html"):
        headers["Content-Security-Policy"] = file_policy(content)
    return Response(content, media_type=MEDIA[form], headers=headers)


async def keep(asked: Asked) -> Response:
    """The note of a site of the desk stays at its address; the file goes."""
    site, upload = _site(asked), asked.the_upload
    if site is None or upload.wanted is None:
        raise Refused(404, shell.NO_SUCH_SITE)
    answer = await _note(asked)
    if isinstance(answer, Response):
        return answer
    local = LocalTime(site.timezone)
    begin, end = (local.local(time_ms).isoformat() for time_ms in answer.window_ms)
    question = NoteQuestion(
        **asked.span(begin, end, site),
        reported=upload.wanted.reported,
        ticket=upload.wanted.ticket,
    )
    identifier = await run_in_threadpool(asked.desk.notes.keep, site.key, question, answer)
    asked.desk.uploads.end(upload)
    return asked.to(f"/sites/{site.key}/notes/{identifier}")


async def end(asked: Asked) -> Response:
    asked.desk.uploads.end(asked.the_upload)
    return asked.to(HOME)


async def leave(asked: Asked) -> Response:
    """The browser went to another page, as its script says."""
    asked.desk.uploads.leave(asked.the_upload)
    return Response(status_code=204)


PAGES: Final = (
    Page(HOME, show, roles=UPLOADERS),
    Page(HOME, take, roles=UPLOADERS, methods=("POST",), takes_file=True),
    Page(f"{HOME}/{{upload}}", look, roles=UPLOADERS),
    Page(f"{HOME}/{{upload}}", ask, roles=UPLOADERS, methods=("POST",)),
    Page(f"{HOME}/{{upload}}/note", note, roles=UPLOADERS),
    Page(f"{HOME}/{{upload}}/note/{{form}}", as_file, roles=UPLOADERS),
    Page(f"{HOME}/{{upload}}/keep", keep, roles=UPLOADERS, methods=("POST",)),
    Page(f"{HOME}/{{upload}}/end", end, roles=UPLOADERS, methods=("POST",)),
    Page(f"{HOME}/{{upload}}/leave", leave, roles=UPLOADERS, methods=("POST",)),
)
