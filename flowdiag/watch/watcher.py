"""The watch itself: round after round it looks at the sites of the parts that it holds, and keeps and tells what changed.

Facts the design follows:
- what was found and what is to be told change in one step, with the part's document (holding.py): a watcher that dies at any
  instant has done a part's round or not, and who comes after it does it again from the same records, with the same result;
- what was sent is noted after it was sent; in between a death lets it be sent again, by the same name;
- a part is settled when its own sites were looked at: nobody waits for the end of a round.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from threading import Event as Signal
from typing import Final, Protocol

from msgspec import Struct
from msgspec.structs import replace

from flowdiag.collector.store.workers import Count
from flowdiag.durations import DAY_MS
from flowdiag.errors import StoreError
from flowdiag.site.catalogue import Catalogue, KnownSite
from flowdiag.watch.changes import Changed, Place, Rules
from flowdiag.watch.clock import WatchClock
from flowdiag.watch.event import Event, Incident, SiteMemory
from flowdiag.watch.everywhere import ALL, changes_everywhere, listens
from flowdiag.watch.holding import BEAT_S, Holding
from flowdiag.watch.ledger import Ledger
from flowdiag.watch.notify import Notify
from flowdiag.watch.part import KEPT_DAYS, MOST_EVENTS, Letter, Part, decoded, part_of
from flowdiag.watch.silenced import Silence, read_silences
from flowdiag.watch.site_task import SitesTask, SiteToWatch, Watched, watch_sites
from flowdiag.watch.telling import join_storms, letters_for

SITES_A_TASK: Final = 8
PAUSE_S: Final = 0.5  # between two looks at what is to be sent


class Pool(Protocol):
    """As collector/store/cluster.py opens it."""

    def each(
        self, function: Callable[[SitesTask, Count], list[Watched]], tasks: Sequence[SitesTask]
    ) -> Iterator[tuple[int, list[Watched]]]: ...


class Post(Protocol):
    """Who sends letters: beside the rounds, never in their way."""

    def made(self, events: Sequence[Event]) -> tuple[Letter, ...]:
        """Letters of its own, beside those to targets."""
        ...

    def work(self, now_ms: int) -> None:
        """Sends what is due of the parts held, and has noted what became of it. Raises StoreError."""
        ...


class Round(Struct, frozen=True):
    """What a round did. sites: looked at; faults: of those that could not be; took_s: seconds."""

    now_ms: int
    sites: int
    events: tuple[Event, ...]
    faults: dict[str, str]
    took_s: float


class Watcher:
    """Used from one thread."""

    def __init__(
        self,
        store: str,
        catalogue: Catalogue,
        ledger: Ledger,
        holding: Holding,
        notify: Notify,
        pool: Pool,
        post: Post,
        stop: Signal,
        clock: WatchClock | None = None,
    ) -> None:
        """stop: set when it shall end."""
        self._store, self._catalogue, self._ledger = store, catalogue, ledger
        self._holding, self._notify, self._pool, self._post = holding, notify, pool, post
        self._rules = Rules(notify.minimum_ms)
        self._stop = stop
        self.clock = clock or WatchClock()

    def run(
        self, every_s: float, told: Callable[[Round], None], failed: Callable[[StoreError], None]
    ) -> None:
        """Rounds until stop is set, each every_s after the last began. told: called after each; failed: with what kept the
        ledger or the store from being used, after which it goes on with the next round. Raises ClusterError."""
        while not self._stop.is_set():
            begun_s = time.monotonic()
            try:
                looked = set(self._holding.hold())
                told(self.round(looked))
                self._between(begun_s + every_s, looked, told)
            except StoreError as error:
                failed(error)
                self._stop.wait(max(begun_s + every_s - time.monotonic(), PAUSE_S))

    def _between(self, until_s: float, looked: set[str], told: Callable[[Round], None]) -> None:
        """Sends, and looks at what others leave, until the next round."""
        held_s = time.monotonic()
        while not self._stop.is_set() and time.monotonic() < until_s:
            self._post.work(self.clock.now_ms())
            if time.monotonic() - held_s >= BEAT_S / 2:
                held = set(self._holding.hold())
                held_s = time.monotonic()
                if held - looked:  # somebody else has ended or died, and nobody looked at his
                    told(self.round(held - looked))
                    looked |= held
            self._stop.wait(PAUSE_S)

    def round(self, names: Iterable[str]) -> Round:
        """Looks at all sites of some parts that are held. Raises StoreError, ClusterError."""
        begun_s, now_ms = time.monotonic(), self.clock.now_ms()
        held = self._holding.held
        sites = self._sites(set(names) & held.keys())
        known = {name: self._memories(name, found) for name, found in sites.items()}
        every = [memory for memories in known.values() for memory in memories.values()]
        listening = self.clock.settled and listens(every, now_ms)
        tasks, parts = [], []
        for name, found in sites.items():
            for first in range(0, len(found), SITES_A_TASK):
                some = found[first : first + SITES_A_TASK]
                asked = tuple(
                    SiteToWatch(_place(site), site.profile, known[name][site.place]) for site in some
                )
                tasks.append(SitesTask(self._store, asked, now_ms, self._rules, listening))
                parts.append(name)
        silences = read_silences(self._ledger)
        waiting = {name: parts.count(name) for name in sites}
        done: dict[str, list[Watched]] = {name: [] for name in sites}
        events: list[Event] = []
        faults: dict[str, str] = {}

        def settle(name: str) -> None:
            if name == part_of(ALL.place, ALL.upstream):
                done[name].append(self._everywhere(name, every, now_ms))
            events.extend(self._settle(name, done[name], silences, now_ms))
            faults.update({one.memory.name: one.memory.fault for one in done[name] if one.memory.fault})
            self._post.work(self.clock.now_ms())

        for name in [name for name, left in waiting.items() if not left]:
            settle(name)
        for number, watched in self._pool.each(watch_sites, tasks):
            name = parts[number]
            done[name] += watched
            waiting[name] -= 1
            if not waiting[name]:
                settle(name)
            if self._stop.is_set():
                break  # whoever comes next does the rest
        looked = sum(map(len, sites.values()))
        return Round(now_ms, looked, tuple(events), faults, time.monotonic() - begun_s)

    def _sites(self, names: Iterable[str]) -> dict[str, list[KnownSite]]:
        """The sites of parts, those in the order of their names."""
        by_part: dict[str, list[KnownSite]] = {name: [] for name in sorted(names)}
        for site in self._catalogue.all():
            name = part_of(site.place, site.profile.site.upstream)
            if name in by_part:
                by_part[name].append(site)
        return by_part

    def _memories(self, name: str, sites: Iterable[KnownSite]) -> dict[str, SiteMemory]:
        """What is remembered of sites: in their part, or in the one that they were in before."""
        held = self._holding.held[name].part.sites
        memories = {site.place: held.get(site.place) for site in sites}
        missing = {place for place, memory in memories.items() if memory is None}
        elsewhere = self._elsewhere(missing) if missing else {}
        return {place: memory or elsewhere.get(place, SiteMemory()) for place, memory in memories.items()}

    def _elsewhere(self, places: set[str]) -> dict[str, SiteMemory]:
        found: dict[str, SiteMemory] = {}
        for name in self._ledger.versions():
            if not name.startswith("part-"):
                continue
            document = self._ledger.read(name)
            if document is None:
                continue
            part = decoded(name, document.content)
            for place in places & part.sites.keys():
                known = found.get(place)
                if known is None or (known.looked_ms or 0) < (part.sites[place].looked_ms or 0):
                    found[place] = part.sites[place]
        return found

    def _everywhere(self, name: str, every: list[SiteMemory], now_ms: int) -> Watched:
        memory = self._holding.held[name].part.sites.get(ALL.place, SiteMemory())
        done: Changed = changes_everywhere(memory, every, now_ms, self._rules, settled=self.clock.settled)
        return Watched(ALL.place, done.memory, done.events, done.corrected)

    def _settle(
        self, name: str, watched: list[Watched], silences: tuple[Silence, ...], now_ms: int
    ) -> tuple[Event, ...]:
        """Keeps what became of a part's sites, and gives the events that are told; none where another has the part now."""
        held = self._holding.held.get(name)
        if held is None:
            return ()
        part = held.part
        new = [event for one in watched for event in one.events]
        events = join_storms(part.events, new, self._notify.storm_ms)
        corrected = {incident.key: incident for one in watched for incident in one.corrected}
        known = tuple(_corrected(event, corrected.get(event.key)) for event in part.events)
        before = replace(part, events=known)
        after = Part(
            sites={one.place: one.memory for one in watched},
            events=_kept((*known, *events), now_ms),
            letters=(*letters_for(self._notify, before, events, silences, now_ms), *self._post.made(events)),
        )
        return events if self._holding.replace(name, after) else ()


def _place(site: KnownSite) -> Place:
    return Place(site.place, site.name, site.timezone, site.profile.site.upstream)


def _corrected(event: Event, incident: Incident | None) -> Event:
    """As it would be told now."""
    if incident is None:
        return event
    ended_ms = event.ended_ms if event.ended_ms is None else incident.ended_ms
    return replace(event, began_ms=incident.began_ms, ended_ms=ended_ms, corrected=True)


def _kept(events: tuple[Event, ...], now_ms: int) -> tuple[Event, ...]:
    kept = tuple(event for event in events if event.told_ms >= now_ms - KEPT_DAYS * DAY_MS)
    return kept[-MOST_EVENTS:]
