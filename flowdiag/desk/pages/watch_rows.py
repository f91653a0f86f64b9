"""What the watch knows and told, as pages show it: rows of open incidents and of events, in words."""

from __future__ import annotations

import time
from typing import Any, Final

import msgspec
from markupsafe import Markup
from msgspec import Struct

from flowdiag.desk.asked import Asked
from flowdiag.desk.pages.board_rows import note_address
from flowdiag.desk.rendering import environment
from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.site.catalogue import KnownSite
from flowdiag.site.clock import LocalTime
from flowdiag.text.clock import Clock
from flowdiag.text.wording.desk import board, watch
from flowdiag.watch.event import NOT_HEARD, Event
from flowdiag.watch.going_on import OpenIncident
from flowdiag.watch.state import Standing, standing_of

ON_BACKUP: Final = "on-backup"
# What a form proposes: until the shift is over.
PROPOSED_MS: Final = 8 * HOUR_MS
LISTED_MS: Final = 31 * DAY_MS  # so long a change over to the backup is told of on its site's page


class IncidentRow(Struct, frozen=True):
    """site: None where it is of all sites; since: with zone; note: address, empty where there is none; silenced: what keeps it
    from being told, in words; silence: its name, where whoever looks may take it back; until: what the form proposes."""

    key: str
    site: KnownSite | None
    standing: Standing
    what: str
    since: str
    severity: str
    summary: str
    note: str
    silenced: str
    silence: str | None
    until: str
    storm: bool


class EventRow(Struct, frozen=True):
    """when: that it was told; span: of what it tells; drill: address of what a change over to a backup showed, or empty."""

    site: KnownSite | None
    standing: Standing
    what: str
    state: str
    when: str
    span: str
    summary: str
    note: str
    drill: str


def places(asked: Asked) -> dict[str, KnownSite]:
    """The sites that the person may see, by the place of their profiles."""
    return {site.place: site for site in asked.sites()}


def sees_all(asked: Asked) -> bool:
    return all(map(asked.who.sees, asked.desk.catalogue.all()))


def incident_rows(asked: Asked, now_ms: int) -> list[IncidentRow]:
    """The open incidents of the person's sites, the newest first."""
    known, every = places(asked), sees_all(asked)
    return [
        _incident_row(asked, one, known.get(one.event.place), now_ms)
        for one in asked.desk.watched.open_incidents(now_ms)
        if one.event.place in known or (every and not one.event.place)
    ]


def _incident_row(asked: Asked, one: OpenIncident, site: KnownSite | None, now_ms: int) -> IncidentRow:
    event, silence = one.event, one.silence
    clock = LocalTime(event.timezone)
    said = ""
    if silence is not None:
        until = _moment(site, event, silence.until_ms, now_ms)
        said = watch.silenced(silence.kind, silence.by, until, silence.reason)
    return IncidentRow(
        key=event.key,
        site=site,
        standing=standing_of(event.code),
        what=watch.what(event.code, event.link),
        since=board.since(_moment(site, event, one.incident.began_ms, now_ms), before=False),
        severity=event.severity,
        summary=event.summary,
        note=_note(site, event, now_ms),
        silenced=said,
        silence=None if silence is None or not may_take_back(asked, silence) else silence.name,
        until=f"{clock.local(now_ms + PROPOSED_MS):%Y-%m-%dT%H:00}",
        storm=event.incident != event.key,
    )


def may_take_back(asked: Asked, silence: Any) -> bool:
    """One of an incident that is seen; what is said of many sites, only who sees them all."""
    return silence.key is not None or sees_all(asked)


def event_rows(asked: Asked, since_ms: int, now_ms: int) -> list[EventRow]:
    """What was told of the person's sites from then on, the newest first."""
    known, every = places(asked), sees_all(asked)
    return [
        _event_row(event, known.get(event.place), now_ms)
        for event in asked.desk.watched.events(since_ms)
        if event.place in known or (every and not event.place)
    ]


def _event_row(event: Event, site: KnownSite | None, now_ms: int) -> EventRow:
    standing = standing_of(event.code)
    began = _moment(site, event, event.began_ms, now_ms)
    span = board.since(began, before=False)
    if event.ended_ms is not None:
        span = watch.span(began, _moment(site, event, event.ended_ms, now_ms))
    return EventRow(
        site=site,
        standing=standing,
        what=watch.what(event.code, event.link),
        state=watch.STATES[event.state],
        when=_moment(site, event, event.told_ms, now_ms),
        span=span,
        summary=event.summary,
        note=_note(site, event, now_ms),
        drill=drill_address(site, event) if site is not None else "",
    )


def drill_address(site: KnownSite, event: Event) -> str:
    """Of what a change over to the backup showed, once it is over; empty for others."""
    if event.code != ON_BACKUP or event.state != "ended":
        return ""
    return f"/sites/{site.key}/drills/{event.key}"


def _moment(site: KnownSite | None, event: Event, ms: int, now_ms: int) -> str:
    """14:05 NZDT, with its day where that is not today; a moment to come too."""
    clock = Clock(site.timezone if site is not None else event.timezone)
    ms = clock.told(ms)
    told = f"{clock.time(ms)} {clock.zone(ms)}"
    today = clock.local(ms).date() == clock.local(now_ms).date()
    return told if today else f"{clock.short_day(ms)} {told}"


def _note(site: KnownSite | None, event: Event, now_ms: int) -> str:
    if site is None:
        return ""
    end = event.ended_ms if event.ended_ms is not None else max(event.told_ms, event.began_ms + MINUTE_MS)
    if event.code == NOT_HEARD:
        end = max(end, event.began_ms + MINUTE_MS)
    return note_address(site, event.began_ms, end, now_ms)


def told_drill(event: Event) -> str | None:
    """What the watch wrote down of it, as JSON."""
    return None if event.drill is None else msgspec.json.encode(event.drill).decode()


def site_drills(asked: Asked) -> Markup:
    """The section of a site's page that leads to what its changes over to the backup showed; nothing where there were none."""
    now_ms = time.time_ns() // 1_000_000
    site = asked.the_site
    rows = [
        _event_row(event, site, now_ms)
        for event in asked.desk.watched.events(now_ms - LISTED_MS)
        if event.place == site.place and drill_address(site, event)
    ]
    if not rows:
        return Markup("")
    parts = environment().get_template("watch_parts.html").module
    return Markup(parts.drills(rows, watch))  # type: ignore[attr-defined]
