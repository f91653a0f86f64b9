"""What is done with some sites in one round, in a process of its own or on a worker of a cluster: look, tell what changed, and
add what whoever reads it needs.

It depends on what it is given and on the store alone, so that it may be done again elsewhere.
"""

from __future__ import annotations

from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from flowdiag.collector.store.workers import Count
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.findings.on_backup import CODE as ON_BACKUP
from flowdiag.errors import FlowdiagError
from flowdiag.note import text
from flowdiag.note.compose import compose
from flowdiag.site.profile import Profile
from flowdiag.watch.changes import Changed, Place, Rules, changes
from flowdiag.watch.drill.measuring import drill_of
from flowdiag.watch.drill.rendering import as_object
from flowdiag.watch.event import NOT_HEARD, Event, Incident, SiteMemory
from flowdiag.watch.look import look

# Of a task: what befalls many sites at once is told by a list, and notes of all of them would cost what others wait for.
MOST_NOTES: Final = 3
LONGEST_NOTE: Final = 20_000  # characters


class SiteToWatch(Struct, frozen=True):
    place: Place
    profile: Profile
    memory: SiteMemory


class SitesTask(Struct, frozen=True):
    """listening: whether the collector hears anybody; home: the number of who does it, if there are so many, who then knows the
    sites' flows from the last time."""

    store: str
    home: int
    sites: tuple[SiteToWatch, ...]
    now_ms: int
    rules: Rules
    listening: bool


class Watched(Struct, frozen=True):
    """What became of a site; see Changed."""

    place: str
    memory: SiteMemory
    events: tuple[Event, ...] = ()
    corrected: tuple[Incident, ...] = ()


def watch_sites(task: SitesTask, count: Count) -> list[Watched]:
    notes = MOST_NOTES
    done = []
    for site in task.sites:
        watched = _watch(task, site, notes)
        notes -= sum(event.note is not None for event in watched.events)
        done.append(watched)
        count(1)
    return done


def _watch(task: SitesTask, site: SiteToWatch, notes: int) -> Watched:
    memory = site.memory
    try:
        looked = look(task.store, site.profile, task.now_ms, memory.digest, memory.state)
    except FlowdiagError as error:
        # What cannot be looked at stays as it was: nothing begins, nothing ends.
        return Watched(site.place.place, replace(memory, name=site.place.name, fault=str(error)))
    state, digest, case = memory.state, memory.digest, None
    if looked is not None:
        state, digest, case = looked.state, looked.digest, looked.case
    done = changes(memory, state, task.now_ms, site.place, task.rules, listening=task.listening)
    events = done.events
    if notes > 0:
        events = tuple(_with_drill(task.store, site.profile, event) for event in events)
        events = _with_notes(case, events) if case is not None else events
    return _watched(site.place.place, done, digest, events)


def _watched(place: str, done: Changed, digest: str | None, events: tuple[Event, ...]) -> Watched:
    return Watched(place, replace(done.memory, digest=digest), events, done.corrected)


def _with_drill(store: str, profile: Profile, event: Event) -> Event:
    """A stay on the backup that ended, with what a certificate of it needs."""
    if event.code != ON_BACKUP or event.state != "ended":
        return event
    try:
        drill = drill_of(store, profile, event.began_ms, event.ended_ms)
    except FlowdiagError:  # the event is told all the same
        return event
    return event if drill is None else replace(event, drill=as_object(drill))


def _with_notes(case: Case, events: tuple[Event, ...]) -> tuple[Event, ...]:
    """With the ticket note of the time that was looked at."""
    if all(event.code == NOT_HEARD for event in events):
        return events
    note = text.render(compose(diagnose(case)))[:LONGEST_NOTE]
    return tuple(event if event.code == NOT_HEARD else replace(event, note=note) for event in events)
