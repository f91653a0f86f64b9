"""What the watch knows and told: open incidents with their forms, events, and what a change over to a backup showed."""

from __future__ import annotations

import asyncio
import time
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from markupsafe import Markup
from starlette.responses import Response

from flowdiag.desk.asked import Asked, Refused
from flowdiag.desk.asking.drill_question import DrillAnswer, DrillQuestion
from flowdiag.desk.pages.front import EVERYBODY, may_ask
from flowdiag.desk.pages.note import file_policy
from flowdiag.desk.pages.waiting import answer_or_wait
from flowdiag.desk.pages.watch_rows import (
    drill_address,
    event_rows,
    incident_rows,
    may_take_back,
    places,
    sees_all,
    told_drill,
)
from flowdiag.desk.people import STAFF, Role
from flowdiag.desk.rendering import environment, page
from flowdiag.desk.routing import Page
from flowdiag.durations import DAY_MS
from flowdiag.errors import UsageError
from flowdiag.site.clock import LocalTime
from flowdiag.text.wording.desk import watch as wording
from flowdiag.watch.event import Event
from flowdiag.watch.silenced import LONGEST_TEXT, Kind, Silence

SILENCERS: Final[frozenset[Role]] = frozenset({"helpdesk", "engineer"})
EVENTS: Final = "/events"
BOARD: Final = "/all-sites"
MOST_INCIDENTS: Final = 100  # on the page of all sites
MOST_EVENTS: Final = 500
WEEK: Final = "week"
KINDS: Final[dict[str, Kind]] = {"acknowledge": "acknowledged", "mute": "muted"}


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def running(asked: Asked) -> str:
    """What to say where no watch runs; empty where one does."""
    watched = asked.desk.watched
    if watched.fault is not None:
        return wording.unreadable(watched.fault)
    return {None: wording.NEVER, False: wording.STOPPED, True: ""}[watched.runs]


def is_wrong(asked: Asked) -> bool:
    """Whether that is a fault: a watch that nobody has started is none."""
    watched = asked.desk.watched
    return watched.fault is not None or watched.runs is False


async def open_incidents(asked: Asked) -> Markup:
    """The section of open incidents of a page for staff."""
    await asked.desk.watched.ready()
    rows = incident_rows(asked, now_ms())
    parts = environment().get_template("watch_parts.html").module
    written = parts.incidents(  # type: ignore[attr-defined]
        rows[:MOST_INCIDENTS],
        len(rows),
        running(asked),
        is_wrong(asked),
        asked.form_token,
        bool(asked.who.roles & SILENCERS),
        may_ask(asked),
        wording,
    )
    return Markup(written)


async def events(asked: Asked) -> Response:
    await asked.desk.watched.ready()
    is_week, now = asked.query("of") == WEEK, now_ms()
    rows = event_rows(asked, now - (7 if is_week else 1) * DAY_MS, now)
    return page(
        asked,
        "events.html",
        wording=wording,
        rows=rows[:MOST_EVENTS],
        total=len(rows),
        running=running(asked),
        is_wrong=is_wrong(asked),
        is_week=is_week,
        other=EVENTS if is_week else f"{EVENTS}?of={WEEK}",
        asks=may_ask(asked),
    )


async def silence(asked: Asked) -> Response:
    """Acknowledges or mutes an incident until a time by its site's clock."""
    event = await incident(asked)
    kind = KINDS.get(asked.field("as") or "")
    reason = asked.field("reason")
    if kind is None or reason is None or len(reason) > LONGEST_TEXT:
        raise UsageError(wording.NO_REASON)
    await say(asked, event, kind, _until(asked.field("until"), event.timezone), reason)
    return asked.to(f"{BOARD}#incidents")


async def say(asked: Asked, event: Event, kind: Kind, until_ms: int, reason: str) -> Silence:
    """Keeps an incident from being told until then. Raises UsageError for a time that is over, StoreError."""
    asked.event, now = kind, now_ms()
    said = Silence(kind=kind, until_ms=until_ms, key=event.key, reason=reason, by=asked.who.name, at_ms=now)
    await asyncio.to_thread(asked.desk.watched.silence, said, now)
    return said


async def tell_again(asked: Asked) -> Response:
    """Takes back what silences an incident."""
    event = await incident(asked)
    asked.event = "told-again"
    watched, name = asked.desk.watched, asked.field("silence")
    for one in watched.silences:
        if one.name == name and one.is_about(event) and may_take_back(asked, one):
            await asyncio.to_thread(watched.tell_again, one.name, now_ms())
            break
    return asked.to(f"{BOARD}#incidents")


async def incident(asked: Asked) -> Event:
    """The last event of the incident of the page's address. Raises Refused where there is none that the person may see."""
    await asked.desk.watched.ready()
    event = asked.desk.watched.event_of(asked.request.path_params["incident"])
    known = places(asked)
    if event is None or not (event.place in known or (sees_all(asked) and not event.place)):
        raise Refused(404, wording.NO_SUCH_INCIDENT)
    asked.site = known.get(event.place)
    return event


def _until(text: str | None, timezone: str) -> int:
    """What a form's field of a local time says, in ms. Raises UsageError for what is none."""
    try:
        until = datetime.fromisoformat(text or "")
    except ValueError:
        raise UsageError(wording.NO_TIME) from None
    if until.tzinfo is None:
        until = until.replace(tzinfo=ZoneInfo(timezone))
    return round(until.timestamp() * 1000)


async def drill(asked: Asked) -> Response:
    event, found = await _drill(asked)
    if isinstance(found, Response):
        return found
    return page(
        asked,
        "drill.html",
        wording=wording,
        site=asked.the_site,
        day=LocalTime(event.timezone).local(event.began_ms).date().isoformat(),
        part=Markup(found.part),
        file=f"{asked.request.url.path}/file",
    )


async def drill_file(asked: Asked) -> Response:
    """The page by itself, to be sent."""
    event, found = await _drill(asked)
    if isinstance(found, Response):
        return found
    headers = {
        "Content-Security-Policy": file_policy(found.page),
        "Content-Disposition": f'attachment; filename="backup-{event.key}.html"',
    }
    return Response(found.page, media_type="text/html; charset=utf-8", headers=headers)


async def _drill(asked: Asked) -> tuple[Event, DrillAnswer | Response]:
    event = await drill_event(asked)
    found: DrillAnswer | Response | None = await answer_or_wait(
        asked, drill_question(asked, event), wording.MEASURING
    )
    if found is None:
        raise Refused(404, wording.NO_DRILL)
    return event, found


async def drill_event(asked: Asked) -> Event:
    """The end of the stay on the backup of the page's address. Raises Refused where there is none at its site."""
    await asked.desk.watched.ready()
    event = asked.desk.watched.event_of(asked.request.path_params["incident"])
    if event is None or event.place != asked.the_site.place or not drill_address(asked.the_site, event):
        raise Refused(404, wording.NO_SUCH_INCIDENT)
    return event


def drill_question(asked: Asked, event: Event) -> DrillQuestion:
    site, hides = asked.the_site, asked.the_site.profile.site.pseudonyms
    return DrillQuestion(
        store=asked.desk.settings.store,
        file=site.file,
        digest=site.digest,
        began_ms=event.began_ms,
        ended_ms=event.ended_ms,
        told=told_drill(event),
        hosts=asked.who.is_staff or not hides,
    )


PAGES: Final = (
    Page(EVENTS, events, roles=STAFF),
    Page("/incidents/{incident}/silence", silence, roles=SILENCERS, methods=("POST",)),
    Page("/incidents/{incident}/tell-again", tell_again, roles=SILENCERS, methods=("POST",)),
    Page("/sites/{site}/drills/{incident}", drill, roles=EVERYBODY),
    Page("/sites/{site}/drills/{incident}/file", drill_file, roles=EVERYBODY),
)
