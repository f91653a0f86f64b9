"""Which changes of a site are told: from what was remembered and what a look shows now to what is remembered next.

A pure function of both and the time: whoever asks it again gets the same events by the same names. Facts the design follows:
- a state at a threshold comes and goes: what returns soon is the same incident, and of one matter no more than two events are
  told in any hour; what comes back meanwhile is one incident, told when the hour is over;
- of a site that is not heard nothing else is known: what goes on there waits until it is heard again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Final, NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.text.wording.watch import events as wording
from flowdiag.watch.event import NOT_HEARD, Event, EventState, Incident, Matter, SiteMemory, as_event
from flowdiag.watch.incidents import Incidents
from flowdiag.watch.not_heard import hearing
from flowdiag.watch.seen import HOLD_MS, seen_in
from flowdiag.watch.state import SiteState

MOST_AN_HOUR: Final = 2
REMIND_MS: Final = DAY_MS
# What was over before nobody who is told now can do anything about: notes and reviews tell it. Records that come late thus
# invent nothing.
PAST_MS: Final = HOUR_MS
# Until a leak is worth a message: its harm is a month's, and a change over to the backup looks like one at first.
LEAK_MS: Final = 10 * MINUTE_MS
USUAL_MINIMUM_MS: Final = {"backup-leak": LEAK_MS}


class Rules(Struct, frozen=True):
    """minimum_ms: how long a finding lasts before it is told, by its code, where that is not as usual."""

    minimum_ms: Mapping[str, int] = {}

    def minimum_of(self, code: str) -> int:
        return self.minimum_ms.get(code, USUAL_MINIMUM_MS.get(code, 0))


class Place(Struct, frozen=True):
    """Which site it is. place: of its profile below the folder; empty: all sites together."""

    place: str
    name: str
    timezone: str
    upstream: str | None = None


class Changed(NamedTuple):
    """events: to be told, in order; corrected: incidents of which something else was told."""

    memory: SiteMemory
    events: tuple[Event, ...]
    corrected: tuple[Incident, ...]


def changes(
    memory: SiteMemory, state: SiteState, now_ms: int, site: Place, rules: Rules, *, listening: bool = True
) -> Changed:
    """state: as a look gave it; listening: whether the collector hears anybody: where it does not, the silence of a site says
    nothing of the site."""
    silent = state.at(now_ms).on == "unheard"
    judged_ms = now_ms if state.judged_ms is None else state.judged_ms
    begin_ms = judged_ms if state.begin_ms is None else state.begin_ms
    past_ms = judged_ms if memory.looked_ms is None else min(memory.looked_ms, judged_ms - PAST_MS)
    book = Incidents(memory.incidents, site.place, begin_ms, judged_ms, past_ms)
    held_back = _held_back(memory.incidents, now_ms)
    everybody = not site.place
    for one in hearing(
        state, memory.incidents, now_ms, site.timezone, listening=listening, everybody=everybody
    ):
        book.take(one, held_back)
    if not silent:
        seen = seen_in(state)
        for one in seen:
            book.take(one, held_back)
        book.go_on_while_implied(seen)
        book.end_what_is_gone()
    named = replace(memory, name=site.name, timezone=site.timezone, upstream=site.upstream)
    told = tuple(_tell(book, now_ms, judged_ms, rules, silent=silent))
    events = tuple(_event(one, state_of, now_ms, site.place, named) for one, state_of in told)
    incidents = book.kept(now_ms)
    return Changed(
        replace(named, state=state, looked_ms=now_ms, fault=None, incidents=incidents),
        events,
        tuple(one for one in incidents if one.key in book.corrected),
    )


def _lately(incidents: Iterable[Incident], matter: Matter, now_ms: int) -> int:
    """Events of a matter that were told in the last hour, by whatever clock: one that was set back counts as if it was now."""
    return sum(
        now_ms - HOUR_MS < told < now_ms + HOUR_MS
        for one in incidents
        if one.matter == matter
        for told in one.told
    )


def _held_back(incidents: tuple[Incident, ...], now_ms: int) -> set[Matter]:
    matters = {one.matter for one in incidents}
    return {matter for matter in matters if _lately(incidents, matter, now_ms) >= MOST_AN_HOUR}


def _tell(
    book: Incidents, now_ms: int, judged_ms: int, rules: Rules, *, silent: bool
) -> Iterator[tuple[Incident, EventState]]:
    for known in list(book):
        one = known
        if one.over or (silent and one.matter.code != NOT_HEARD):
            continue
        calm_ms = 0 if one.matter.code == NOT_HEARD else HOLD_MS
        calm = one.ended_ms is not None and judged_ms - one.ended_ms >= calm_ms
        if not one.told and one.until_ms - one.began_ms < rules.minimum_of(one.matter.code):
            if calm:
                book.set(replace(one, over=True))
            continue
        for state in _due(one, now_ms, calm=calm, reopened=one.key in book.reopened):
            if _lately(book, one.matter, now_ms) >= MOST_AN_HOUR:
                break
            one = replace(one, told=(*one.told, now_ms), over=state == "ended")
            book.set(one)
            yield one, state


def _due(one: Incident, now_ms: int, *, calm: bool, reopened: bool) -> Iterator[EventState]:
    if not one.told:
        yield "began"
    if calm:
        yield "ended"
    elif one.told and (reopened or (one.ended_ms is None and now_ms - one.told[-1] >= REMIND_MS)):
        yield "ongoing"


def _event(one: Incident, state: EventState, now_ms: int, place: str, site: SiteMemory) -> Event:
    return replace(
        as_event(place, site, one),
        state=state,
        ended_ms=one.ended_ms if state == "ended" else None,
        told_ms=now_ms,
        summary=one.summary + (wording.came_and_went(one.times) if one.times > 1 else ""),
        corrected=one.corrected,
    )


def farewell(place: str, memory: SiteMemory, now_ms: int) -> list[Event]:
    """The ends of what went on at a site that is not watched any more."""
    ended = [
        replace(one, ended_ms=one.until_ms, summary=wording.NOT_WATCHED, client=wording.NOT_WATCHED_CLIENT)
        for one in memory.incidents
        if one.is_open
    ]
    return [_event(replace(one, told=(*one.told, now_ms)), "ended", now_ms, place, memory) for one in ended]
