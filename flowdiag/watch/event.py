"""What is told of a site: changes of its state, small values that can be written down, compared and read again.

An incident is one finding of one site, link and direction from its begin to its end; an event tells a change of it. Incidents of
several sites that have one cause (a storm, `telling.py`) share what they are told by.
"""

from __future__ import annotations

import hashlib
from base64 import b32encode
from typing import Any, Final, Literal

from msgspec import Struct, field

from flowdiag.diagnoser.finding import Confidence, Severity
from flowdiag.watch.state import SiteState

SCHEMA: Final = "flowdiag.event/1"
# The exporter of a site says nothing for longer than its own habit explains: a matter of the watch alone, no finding.
NOT_HEARD: Final = "not-heard"
EventState = Literal["began", "ongoing", "ended"]
_KEY_OCTETS: Final = 10  # 80 bits, 16 characters


class Matter(Struct, frozen=True, order=True):
    """What an incident is about, and what no two incidents of a site are about at the same time."""

    code: str
    link: str | None = None
    direction: str | None = None


class Event(Struct, frozen=True):
    """A change that is told.

    key: of the incident, the same in all its events; number: 1 for the first of them: both together are the event's name,
    which is the same whoever tells it and however often. incident: the key that it is told under: that of the first incident of
    its storm, or its own. site, timezone: name and zone; place: of the profile below its folder. began_ms, ended_ms: of
    the incident, ms since 1970 UTC; told_ms: when the watch noticed; client, summary: as of a finding; note: the ticket
    note as text; corrected: times or facts that were told before turned out otherwise, by records that came late; or_earlier: it
    may have begun before anything that was looked at; drill: of a stay on the backup that ended, what a certificate needs.
    """

    key: str
    number: int
    incident: str
    site: str
    place: str
    timezone: str
    code: str
    severity: Severity
    confidence: Confidence
    link: str | None
    direction: str | None
    state: EventState
    began_ms: int
    ended_ms: int | None
    told_ms: int
    client: str
    summary: str
    note: str | None = None
    upstream: str | None = None
    corrected: bool = False
    or_earlier: bool = False
    drill: dict[str, Any] | None = None

    @property
    def name(self) -> str:
        return f"{self.key}.{self.number}"

    @property
    def matter(self) -> Matter:
        return Matter(self.code, self.link, self.direction)


class Incident(Struct, frozen=True):
    """What is remembered of an incident.

    ended_ms: None while it goes on; seen_ms: up to when the records show that it held; told: times (ms) at which its
    events were told, in order; over: whether its end was told; times: how often it came and went before it was told;
    corrected: something else was told of it; or_earlier: it may have begun before anything that was looked at. An incident
    with nothing told waits: it has not lasted long enough, or too much was told of its matter lately.
    """

    key: str
    matter: Matter
    severity: Severity
    confidence: Confidence
    began_ms: int
    ended_ms: int | None
    seen_ms: int
    client: str
    summary: str
    told: tuple[int, ...] = ()
    over: bool = False
    times: int = 1
    corrected: bool = False
    or_earlier: bool = False

    @property
    def until_ms(self) -> int:
        return self.seen_ms if self.ended_ms is None else self.ended_ms

    @property
    def is_open(self) -> bool:
        """Whether it was told to have begun, and not to have ended."""
        return bool(self.told) and not self.over


class SiteMemory(Struct, frozen=True):
    """What is remembered of a site between two looks. digest: of the files that `state` is of; state: as they show it; looked_ms:
    when they were looked at last, None before the first time; fault: why it cannot be looked at; incidents: those that
    wait, go on, or were over lately."""

    name: str = ""
    timezone: str = "UTC"
    upstream: str | None = None
    digest: str | None = None
    state: SiteState = field(default_factory=SiteState)
    looked_ms: int | None = None
    fault: str | None = None
    incidents: tuple[Incident, ...] = ()


def key_of(place: str, matter: Matter, began_ms: int) -> str:
    """The key of an incident: 16 letters and digits, the same for the same site, matter and begin."""
    text = "\n".join((place, matter.code, matter.link or "", matter.direction or "", str(began_ms)))
    return b32encode(hashlib.sha256(text.encode()).digest()[:_KEY_OCTETS]).decode().lower()


def as_event(place: str, memory: SiteMemory, incident: Incident) -> Event:
    """An incident as an event of it: as one that goes on, told when it was told last."""
    return Event(
        key=incident.key,
        number=max(len(incident.told), 1),
        incident=incident.key,
        site=memory.name,
        place=place,
        timezone=memory.timezone,
        code=incident.matter.code,
        severity=incident.severity,
        confidence=incident.confidence,
        link=incident.matter.link,
        direction=incident.matter.direction,
        state="ongoing",
        began_ms=incident.began_ms,
        ended_ms=incident.ended_ms,
        told_ms=incident.told[-1] if incident.told else incident.began_ms,
        client=incident.client,
        summary=incident.summary,
        upstream=memory.upstream,
        or_earlier=incident.or_earlier,
    )
