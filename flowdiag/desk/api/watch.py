"""What the watch knows and told, the morning list, and what changes over to a backup showed."""

from __future__ import annotations

from typing import Any, Final

from msgspec.structs import replace
from starlette.responses import JSONResponse, Response

from flowdiag.desk.api.figures import CSV
from flowdiag.desk.api.operation import AS, JSON, Given, Operation, Parameter, answer_or_later, as_parameter
from flowdiag.desk.api.schemas import reference
from flowdiag.desk.api.sites import SITE
from flowdiag.desk.asked import Asked, Refused
from flowdiag.desk.asking.drill_question import DrillAnswer
from flowdiag.desk.asking.morning_question import MorningForms, MorningFormsQuestion
from flowdiag.desk.pages.front import EVERYBODY
from flowdiag.desk.pages.morning import current_slot, question, with_known
from flowdiag.desk.pages.watch import (
    SILENCERS,
    drill_event,
    drill_question,
    incident,
    now_ms,
    running,
    say,
)
from flowdiag.desk.pages.watch_rows import drill_address, places, sees_all
from flowdiag.desk.people import STAFF
from flowdiag.durations import DAY_MS
from flowdiag.site.catalogue import KnownSite
from flowdiag.site.clock import LocalTime
from flowdiag.text.wording.desk import api as wording
from flowdiag.text.wording.desk import watch as words
from flowdiag.watch.as_json import event_json
from flowdiag.watch.event import Event
from flowdiag.watch.report.reasons import MorningList
from flowdiag.watch.silenced import LONGEST_TEXT, Silence

INCIDENT: Final = Parameter("incident", wording.INCIDENT_KEY, {"type": "string", "pattern": "^[a-z2-7]{16}$"})
MOST: Final = 4_000


async def incidents(asked: Asked, given: Given) -> Response:
    await asked.desk.watched.ready()
    known, every = places(asked), sees_all(asked)
    return JSONResponse(
        {
            "schema": "flowdiag.incidents/1",
            "watch": _watch(asked),
            "incidents": [
                {
                    "event": _event(one.event, known.get(one.event.place)),
                    "silenced": None if one.silence is None else _silenced(one.silence, one.event),
                }
                for one in asked.desk.watched.open_incidents(now_ms())
                if _is_seen(one.event, known, every=every)
            ],
        }
    )


async def events(asked: Asked, given: Given) -> Response:
    await asked.desk.watched.ready()
    since = given.get("since")
    since_ms = now_ms() - DAY_MS if since is None else round(since.timestamp() * 1000)
    known, every = places(asked), sees_all(asked)
    told = [
        _event(event, known.get(event.place))
        for event in asked.desk.watched.events(since_ms)
        if _is_seen(event, known, every=every)
    ]
    return JSONResponse({"schema": "flowdiag.events/1", "watch": _watch(asked), "events": told[:MOST]})


def _is_seen(event: Event, known: dict[str, KnownSite], *, every: bool) -> bool:
    return event.place in known or (every and not event.place)


def _watch(asked: Asked) -> dict[str, Any]:
    return {"runs": asked.desk.watched.runs, "said": running(asked)}


def _event(event: Event, site: KnownSite | None) -> dict[str, Any]:
    """As messages have it, without the note, of which there may be thousands."""
    drill = "" if site is None else drill_address(site, event)
    return event_json(replace(event, note=None)) | {
        "site_key": None if site is None else site.key,
        "drill_page": f"/api{drill}" if drill else None,
    }


def _silenced(silence: Silence, event: Event) -> dict[str, Any]:
    return {
        "kind": silence.kind,
        "by": silence.by,
        "reason": silence.reason,
        "until": LocalTime(event.timezone).iso(silence.until_ms),
    }


async def silence(asked: Asked, given: Given) -> Response:
    event = await incident(asked)
    until_ms = round(given["until"].timestamp() * 1000)
    said = await say(asked, event, given["kind"], until_ms, given["reason"])
    return JSONResponse(_silenced(said, event))


async def morning(asked: Asked, given: Given) -> Response:
    if not asked.sites():
        raise Refused(404, words.NO_SITES)
    found: MorningList | Response = await answer_or_later(asked, question(asked, current_slot()))
    if isinstance(found, Response):
        return found
    await asked.desk.watched.ready()
    known = with_known(asked, found)
    forms: MorningForms | Response = await answer_or_later(asked, MorningFormsQuestion(known))
    if isinstance(forms, Response):
        return forms
    return MORNING.response(given[AS], getattr(forms, given[AS]))


async def drill(asked: Asked, given: Given) -> Response:
    event = await drill_event(asked)
    found: DrillAnswer | Response | None = await answer_or_later(asked, drill_question(asked, event))
    if found is None:
        raise Refused(404, words.NO_DRILL)
    return found if isinstance(found, Response) else DRILL.response("json", found.json)


MORNING: Final = Operation(
    "morning",
    "/api/morning",
    wording.MORNING,
    morning,
    STAFF,
    {"json": (JSON, reference("Morning")), "csv": CSV},
    (as_parameter("json", "csv"),),
    is_long=True,
)
DRILL: Final = Operation(
    "drill",
    "/api/sites/{site}/drills/{incident}",
    wording.DRILL,
    drill,
    EVERYBODY,
    {"json": (JSON, reference("Drill"))},
    (SITE, INCIDENT),
    is_long=True,
)
OPERATIONS: Final = (
    Operation(
        "incidents",
        "/api/incidents",
        wording.INCIDENTS,
        incidents,
        STAFF,
        {"json": (JSON, reference("Incidents"))},
    ),
    Operation(
        "events",
        "/api/events",
        wording.EVENTS,
        events,
        STAFF,
        {"json": (JSON, reference("Events"))},
        (Parameter("since", wording.SINCE, {"type": "string", "format": "date-time"}),),
    ),
    Operation(
        "silence",
        "/api/incidents/{incident}/silence",
        wording.SILENCE,
        silence,
        SILENCERS,
        {"json": (JSON, reference("Silenced"))},
        (
            INCIDENT,
            Parameter(
                "kind",
                wording.KIND_OF_SILENCE,
                {"type": "string", "enum": ["acknowledged", "muted"]},
                is_required=True,
            ),
            Parameter("until", wording.UNTIL, {"type": "string", "format": "date-time"}, is_required=True),
            Parameter(
                "reason",
                wording.WHY,
                {"type": "string", "minLength": 1, "maxLength": LONGEST_TEXT},
                is_required=True,
            ),
        ),
        method="POST",
    ),
    MORNING,
    DRILL,
)
