"""The morning list of the sites that a person may see, with what is acknowledged, and as files."""

from __future__ import annotations

from typing import Final
from urllib.parse import urlencode

from markupsafe import Markup
from starlette.responses import Response

from flowdiag.desk.asked import Asked, Refused
from flowdiag.desk.asking.morning_question import MorningForms, MorningFormsQuestion, MorningQuestion
from flowdiag.desk.asking.review_question import asked_site
from flowdiag.desk.pages.note import file_policy
from flowdiag.desk.pages.waiting import answer_or_wait
from flowdiag.desk.pages.watch import now_ms
from flowdiag.desk.people import STAFF
from flowdiag.desk.rendering import page
from flowdiag.desk.routing import Page
from flowdiag.durations import MINUTE_MS
from flowdiag.text.wording.desk import shell
from flowdiag.text.wording.desk import watch as wording
from flowdiag.watch.report.acknowledging import acknowledged, with_acknowledged
from flowdiag.watch.report.reasons import Acknowledged, MorningList

HOME: Final = "/morning"
SLOT_MS: Final = 15 * MINUTE_MS  # a list is made anew after so long
MEDIA: Final = {
    "csv": "text/csv; charset=utf-8",
    "json": "application/json",
    "html": "text/html; charset=utf-8",
}


async def show(asked: Asked) -> Response:
    slot = asked_slot(asked)
    if slot is None:
        return asked.to(address(current_slot()))
    if not asked.sites():
        return page(
            asked, "morning.html", wording=wording, part=Markup(""), files=[], anew="", said=wording.NO_SITES
        )
    found = await forms(asked, slot)
    if isinstance(found, Response):
        return found
    names = (("html", wording.FILE), ("csv", wording.CSV), ("json", wording.JSON))
    return page(
        asked,
        "morning.html",
        wording=wording,
        part=Markup(found.part),
        files=[(name, address(slot, f"{HOME}/list.{form}")) for form, name in names],
        anew=HOME,
        said="",
    )


async def as_file(asked: Asked) -> Response:
    form = asked.request.path_params["form"]
    if form not in MEDIA:
        raise Refused(404, shell.NO_SUCH_PAGE)
    found = await forms(asked, asked_slot(asked) or current_slot())
    if isinstance(found, Response):
        return found
    content = found.page if form == "html" else getattr(found, form)
    headers = {"Content-Disposition": f'attachment; filename="morning.{form}"'}
    if form == "html":
        headers["Content-Security-Policy"] = file_policy(content)
    return Response(content, media_type=MEDIA[form], headers=headers)


def address(slot_ms: int, path: str = HOME) -> str:
    return f"{path}?{urlencode({'of': slot_ms // MINUTE_MS})}"


def current_slot() -> int:
    return now_ms() // SLOT_MS * SLOT_MS


def asked_slot(asked: Asked) -> int | None:
    """The quarter of an hour that the address names; None where it names none, or one that is over: records of then have
    company by now, and would not tell who was silent."""
    text = asked.query("of") or ""
    if not text.isdecimal() or len(text) > 12:
        return None
    slot, current = int(text) * MINUTE_MS, current_slot()
    return slot if slot in (current, current - SLOT_MS) else None


def question(asked: Asked, slot_ms: int) -> MorningQuestion:
    return MorningQuestion(asked.desk.settings.store, tuple(map(asked_site, asked.sites())), slot_ms)


async def forms(asked: Asked, slot_ms: int) -> MorningForms | Response:
    """The list in its forms, or the page that waits for it."""
    found: MorningList | Response = await answer_or_wait(asked, question(asked, slot_ms), wording.MAKING)
    if isinstance(found, Response):
        return found
    await asked.desk.watched.ready()
    known = with_known(asked, found)
    written: MorningForms | Response = await answer_or_wait(
        asked, MorningFormsQuestion(known), wording.MAKING
    )
    return written


def with_known(asked: Asked, morning: MorningList) -> MorningList:
    """A list with what is acknowledged or muted of its sites."""
    known: dict[str, list[Acknowledged]] = {}
    for one in asked.desk.watched.open_incidents(now_ms()):
        if one.silence is not None:
            known.setdefault(one.event.place, []).append(acknowledged(one.incident, one.silence))
    return with_acknowledged(morning, known)


PAGES: Final = (
    Page(HOME, show, roles=STAFF),
    Page(f"{HOME}/list.{{form}}", as_file, roles=STAFF),
)
