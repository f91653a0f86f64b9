"""Events as JSON: what `watch --once` prints a line of, and what webhooks and commands are given."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, Final
from urllib.parse import urlencode

from msgspec.structs import replace

from flowdiag.durations import HOUR_MS, MINUTE_MS
from flowdiag.site.clock import LocalTime
from flowdiag.site.site_key import site_key
from flowdiag.text.wording.watch import telling as words
from flowdiag.watch.event import NOT_HEARD, SCHEMA, Event
from flowdiag.watch.notify import SEVERITIES

# Of a list; the notes of the others are behind their addresses. Three hundred notes are megabytes.
MOST_NOTES: Final = 10
MOST_LISTED: Final = 5_000
_SURER: Final = ("low", "medium", "high")
# Asked about around what happened, and at most, so that the note is quick and tells how it began.
_AROUND_MS: Final = 10 * MINUTE_MS
_LONGEST_MS: Final = 6 * HOUR_MS


def event_json(event: Event, desk: str | None = None) -> dict[str, Any]:
    """An event. desk: the address of a desk that has the note, if any. Times are ISO 8601 in the site's zone."""
    clock = LocalTime(event.timezone)
    told: dict[str, Any] = {
        "schema": SCHEMA,
        "key": event.key,
        "number": event.number,
        "incident": event.incident,
        "site": event.site,
        "place": event.place,
        "upstream": event.upstream,
        "code": event.code,
        "severity": event.severity,
        "confidence": event.confidence,
        "link": event.link,
        "direction": event.direction,
        "state": event.state,
        "began": clock.iso(event.began_ms),
        "ended": None if event.ended_ms is None else clock.iso(event.ended_ms),
        "told": clock.iso(event.told_ms),
        "corrected": event.corrected,
        "or_earlier": event.or_earlier,
        "client": event.client,
        "summary": event.summary,
        "note": event.note,
        "drill": event.drill,
    }
    address = note_address(desk, event)
    return told if address is None else told | {"url": address}


def event_line(event: Event) -> str:
    """A line of JSON, without its end."""
    return encoded(event_json(event)).decode()


def message_json(events: Sequence[Event], name: str, desk: str | None = None) -> dict[str, Any]:
    """A message: its one event; or a list, whose own values are those that all of them share.

    name: of the message. Of a list `key` is that of the incident, or the message's where there are several; severity is the
    gravest, confidence the least; began the earliest; ended the latest once all ended.
    """
    if len(events) == 1:
        return event_json(events[0], desk)
    first = min(events, key=lambda event: event.began_ms)
    clock = LocalTime(first.timezone)
    last = {event.key: event for event in events}.values()
    ends = [event.ended_ms for event in last if event.state == "ended" and event.ended_ms is not None]
    incidents = {event.incident for event in events}
    listed = [
        event_json(event if number < MOST_NOTES else _without_note(event), desk)
        for number, event in enumerate(events[:MOST_LISTED])
    ]
    return {
        "schema": SCHEMA,
        "key": incidents.pop() if len(incidents) == 1 else name,
        "number": None,
        "incident": _shared([event.incident for event in events]),
        "site": _shared([event.site for event in events]),
        "place": _shared([event.place for event in events]),
        "upstream": _shared([event.upstream for event in events]),
        "code": _shared([event.code for event in events]),
        "severity": max((event.severity for event in events), key=SEVERITIES.index),
        "confidence": min((event.confidence for event in events), key=_SURER.index),
        "link": _shared([event.link for event in events]),
        "direction": _shared([event.direction for event in events]),
        "state": _shared([event.state for event in events]),
        "began": clock.iso(first.began_ms),
        "ended": clock.iso(max(ends)) if len(ends) == len(last) else None,
        "told": clock.iso(max(event.told_ms for event in events)),
        "corrected": any(event.corrected for event in events),
        "client": _shared([event.client for event in events]),
        "summary": words.headline(events),
        "note": None,
        "drill": None,
        "sites": listed,
        "left_out": len(events) - len(listed),
    }


def encoded(message: dict[str, Any]) -> bytes:
    """One line of UTF-8."""
    return json.dumps(message, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "replace")


def note_address(desk: str | None, event: Event) -> str | None:
    """The address of the note that a desk makes of an event's time, with a while before and after it; None without a desk, and
    for what is of no site by itself."""
    if desk is None or not event.place:
        return None
    clock = LocalTime(event.timezone)
    stop_ms = event.told_ms if event.ended_ms is None else event.ended_ms + _AROUND_MS
    end_ms = max(min(stop_ms, event.told_ms), event.began_ms + MINUTE_MS) // MINUTE_MS * MINUTE_MS
    begin_ms = max((event.began_ms - _AROUND_MS) // MINUTE_MS * MINUTE_MS, end_ms - _LONGEST_MS)
    begin, end = clock.iso(begin_ms), clock.iso(end_ms)
    if event.code == NOT_HEARD and event.state != "ended":
        end = "now"
    return f"{desk}/sites/{site_key(event.place)}/note?{urlencode({'from': begin, 'to': end})}"


def _shared(values: Sequence[str | None]) -> str | None:
    return values[0] if len(set(values)) == 1 else None


def _without_note(event: Event) -> Event:
    return replace(event, note=None)
