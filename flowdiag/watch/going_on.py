"""What a watch told and what goes on, from its documents: for who asks beside it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from msgspec import Struct

from flowdiag.watch.event import Event, Incident, as_event
from flowdiag.watch.part import Part
from flowdiag.watch.silenced import Silence, silenced_by


class OpenIncident(Struct, frozen=True):
    """event: the last that was told of it; silence: what keeps it from being told now."""

    incident: Incident
    event: Event
    silence: Silence | None


def last_event(parts: Iterable[Part], key: str) -> Event | None:
    """Of an incident; None where none is kept."""
    found = (event for part in parts for event in part.events if event.key == key)
    return max(found, key=lambda event: event.number, default=None)


def open_incidents(parts: Sequence[Part], silences: Iterable[Silence], now_ms: int) -> list[OpenIncident]:
    """The ones that were told to have begun and not to have ended, the newest first."""
    silences = tuple(silences)
    last: dict[str, Event] = {}
    for event in (event for part in parts for event in part.events):
        if event.key not in last or last[event.key].number < event.number:
            last[event.key] = event
    found = []
    for place, memory in (pair for part in parts for pair in part.sites.items()):
        for incident in memory.incidents:
            if incident.is_open:
                event = last.get(incident.key) or as_event(place, memory, incident)
                found.append(OpenIncident(incident, event, silenced_by(event, silences, now_ms)))
    return sorted(found, key=lambda one: (-one.incident.began_ms, one.incident.key))
