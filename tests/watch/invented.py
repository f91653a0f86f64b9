"""Events as a watch makes them, of invented sites."""

from __future__ import annotations

from typing import Any

from msgspec.structs import replace

from flowdiag.durations import MINUTE_MS
from flowdiag.watch.event import Event, Matter, key_of

# Monday 2 March 2026, 12:00 UTC
NOON_MS = 1_772_452_800_000


def event(place: str = "kowhai/harbour", code: str = "on-backup", **given: Any) -> Event:
    """A begin at noon that was noticed two minutes later."""
    given = {"link": "line", "direction": None, "began_ms": NOON_MS, "number": 1} | given
    key = key_of(place, Matter(code, given["link"], given["direction"]), given["began_ms"])
    told_ms = given["began_ms"] + 2 * MINUTE_MS
    fields = {
        "key": key,
        "incident": key,
        "site": place.rpartition("/")[2].title(),
        "place": place,
        "timezone": "Pacific/Auckland",
        "code": code,
        "severity": "warning",
        "confidence": "high",
        "state": "began",
        "ended_ms": None,
        "told_ms": told_ms,
        "client": "Your main line was out, and the backup carried you.",
        "summary": "The backup carried 4.2 Mbit/s since 12:00.",
    }
    return Event(**(fields | given))


def end(of: Event, minutes: int = 10) -> Event:
    """Of an incident, as long after its begin."""
    ended_ms = of.began_ms + minutes * MINUTE_MS
    told_ms = ended_ms + 2 * MINUTE_MS
    return replace(of, number=of.number + 1, state="ended", ended_ms=ended_ms, told_ms=told_ms)


def reminder(of: Event) -> Event:
    return replace(of, number=of.number + 1, state="ongoing", told_ms=of.told_ms + 1_440 * MINUTE_MS)
