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
from flowdiag.errors import ClusterError, FlowdiagError
from flowdiag.site.catalogue import Catalogue, KnownSite
from flowdiag.watch.changes import Changed, Place, Rules, farewell
from flowdiag.watch.clock import WatchClock
from flowdiag.watch.event import Event, Incident, SiteMemory
from flowdiag.watch.everywhere import ALL, LEAST, NEWEST_MS, anybody_heard, changes_everywhere, listens
from flowdiag.watch.holding import BEAT_S, Holding
from flowdiag.watch.ledger import Ledger
from flowdiag.watch.notify import Notify
from flowdiag.watch.part import (
    ABSENT_DAYS,
    KEPT_DAYS,
    MOST_EVENTS,
    Letter,
    Part,
    number_of,
    part_of,
    read_parts,
)
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

    def renew(self, notify: Notify) -> None:
        """Sends by another notify file from now on. Raises FlowdiagError."""
        ...

    def made(self, events: Sequence[Event]) -> tuple[Letter, ...]:
        """Letters of its own, beside those to targets."""
        ...

    def is_at(self, part: Part) -> bool:
        """Whether something of a part is on its way: nobody else should begin to send it."""
        ...

    def work(self, now_ms: int) -> None:
        """Sends what is due of the parts held, and has noted what became of it. Raises StoreError."""
        ...

    def finish(self, now_ms: int, most_s: float) -> None:
        """Sends all that is due, for so long at most. Raises StoreError."""
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
        self._sound: dict[str, KnownSite] = {}  # by the files of their profiles, as they were read last
        self.clock = clock or WatchClock()

    def run(
        self, every_s: float, told: Callable[[Round], None], failed: Callable[[FlowdiagError], None]
    ) -> None:
        """Rounds until stop is set, every_s apart. told: called after each; failed: with what kept the ledger, the store or the
        profiles from being used, after which it goes on with the next round. Raises ClusterError."""
        while not self._stop.is_set():
            until_s = time.monotonic() + self.clock.until_round_s(every_s)
            try:
                looked = set(self._holding.hold(self._post.is_at))
                told(self.round(looked))
                self._between(until_s, looked, told)
            except ClusterError:
                raise
            except FlowdiagError as error:
                failed(error)
                self._stop.wait(max(until_s - time.monotonic(), PAUSE_S))

    def _between(self, until_s: float, looked: set[str], told: Callable[[Round], None]) -> None:
        """Sends, and looks at what others leave, until the next round."""
        held_s = time.monotonic()
        while not self._stop.is_set() and time.monotonic() < until_s:
            self._post.work(self.clock.now_ms())
            if time.monotonic() - held_s >= BEAT_S / 2:
                held = set(self._holding.hold(self._post.is_at))
                held_s = time.monotonic()
                if held - looked:  # somebody else has ended or died, and nobody looked at his
                    told(self.round(held - looked))
                    looked |= held
            self._stop.wait(PAUSE_S)

    def round(self, names: Iterable[str]) -> Round:
        """Looks at all sites of some parts that are held. Raises StoreError, ClusterError."""
        begun_s, now_ms = time.monotonic(), self.clock.now_ms()
        sites = self._sites(set(names) & self._holding.held.keys())
        memories = self._memories(sites)
        listening = self.clock.settled and self._listens(sites, memories, now_ms)
        tasks, parts = [], []
        for name, found in sites.items():
            for first in range(0, len(found), SITES_A_TASK):
                some = found[first : first + SITES_A_TASK]
                asked = tuple(SiteToWatch(_place(site), site.profile, memories[site.place]) for site in some)
                tasks.append(SitesTask(self._store, number_of(name), asked, now_ms, self._rules, listening))
                parts.append(name)
        silences = read_silences(self._ledger)
        waiting = {name: parts.count(name) for name in sites}
        done: dict[str, list[Watched]] = {name: [] for name in sites}
        events: list[Event] = []
        faults = {fault.file or "": str(fault) for fault in self._catalogue.faults}

        def settle(name: str) -> None:
            events.extend(self._settle(name, done[name], silences, now_ms))
            faults.update({one.memory.name: one.memory.fault for one in done[name] if one.memory.fault})
            self._post.work(self.clock.now_ms())

        last = part_of(ALL.place, ALL.upstream)  # what is told of all sites is known when all were looked at
        for name in [name for name, left in waiting.items() if not left and name != last]:
            settle(name)
        for number, watched in self._pool.each(watch_sites, tasks):
            name = parts[number]
            done[name] += watched
            memories.update({one.place: one.memory for one in watched})
            waiting[name] -= 1
            if not waiting[name] and name != last:
                settle(name)
            if self._stop.is_set():
                break  # whoever comes next does the rest
        if last in waiting and not any(waiting.values()):
            done[last].append(self._everywhere(last, memories.values(), now_ms))
            settle(last)
        looked = sum(map(len, sites.values()))
        return Round(now_ms, looked, tuple(events), faults, time.monotonic() - begun_s)

    def renew(self, notify: Notify) -> None:
        """Tells by another notify file from now on. Raises FlowdiagError where that cannot be; then nothing changes."""
        self._post.renew(notify)
        self._notify, self._rules = notify, Rules(notify.minimum_ms)

    def finish(self, most_s: float) -> None:
        """Sends all that is due, for so long at most. Raises StoreError."""
        self._post.finish(self.clock.now_ms(), most_s)

    def _sites(self, names: Iterable[str]) -> dict[str, list[KnownSite]]:
        """The sites of parts, those in the order of their names."""
        by_part: dict[str, list[KnownSite]] = {name: [] for name in sorted(names)}
        for site in self._every():
            name = part_of(site.place, site.profile.site.upstream)
            if name in by_part:
                by_part[name].append(site)
        return by_part

    def _every(self) -> list[KnownSite]:
        """All sites; one whose profile cannot be used any more as it was before. Raises ProfileError."""
        sites = {site.file: site for site in self._catalogue.all()}
        broken = {fault.file for fault in self._catalogue.faults}
        sites |= {file: site for file, site in self._sound.items() if file in broken and file not in sites}
        self._sound = sites
        return sorted(sites.values(), key=lambda site: (site.name.casefold(), site.place))

    def _memories(self, sites: dict[str, list[KnownSite]]) -> dict[str, SiteMemory]:
        """What is remembered of sites, by place: in their part, or wherever they were seen last."""
        held = self._holding.held
        known = {site.place: held[name].part.sites.get(site.place) for name in sites for site in sites[name]}
        missing = {place for place, memory in known.items() if memory is None}
        elsewhere = self._elsewhere(missing) if missing else {}
        return {place: memory or elsewhere.get(place, SiteMemory()) for place, memory in known.items()}

    def _elsewhere(self, places: set[str]) -> dict[str, SiteMemory]:
        found: dict[str, SiteMemory] = {}
        for _, part in read_parts(self._ledger):
            for place, memory in (*part.sites.items(), *part.absent.items()):
                newest = found.get(place, SiteMemory()).looked_ms or 0
                if place in places and (memory.looked_ms or 0) >= newest:
                    found[place] = memory
        return found

    def _listens(
        self, sites: dict[str, list[KnownSite]], memories: dict[str, SiteMemory], now_ms: int
    ) -> bool:
        """Whether the silence of a site is the site's own; what was remembered tells where that is new enough."""
        if max((one.looked_ms or 0 for one in memories.values()), default=0) >= now_ms - NEWEST_MS:
            return listens(memories.values(), now_ms)
        profiles = [site.profile for found in sites.values() for site in found]
        return len(profiles) < LEAST or anybody_heard(self._store, profiles, now_ms)

    def _everywhere(self, name: str, every: Iterable[SiteMemory], now_ms: int) -> Watched:
        """every: as they are now."""
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
        told = {event.name for event in part.events}
        sites = {one.place: one.memory for one in watched}
        gone = {place: one for place, one in {**part.absent, **part.sites}.items() if place not in sites}
        absent = {place: one for place, one in gone.items() if _is_remembered(one, now_ms)}
        places = {site.place for site in self._sound.values()}
        new = [event for one in watched for event in one.events]
        for place in gone.keys() - absent.keys() - places:
            new += farewell(place, gone[place], now_ms)
        new = [event for event in new if event.name not in told]
        events = join_storms(part.events, new, self._notify.storm_ms)
        corrected = {incident.key: incident for one in watched for incident in one.corrected}
        known = tuple(_corrected(event, corrected.get(event.key)) for event in part.events)
        before = replace(part, events=known)
        after = Part(
            owner=part.owner,
            sites=sites,
            absent=absent,
            events=_kept((*known, *events), now_ms),
            letters=(*letters_for(self._notify, before, events, silences, now_ms), *self._post.made(events)),
        )
        return events if after == part or self._holding.replace(name, after) else ()


def _is_remembered(absent: SiteMemory, now_ms: int) -> bool:
    """Whether a site without a profile may have one again, as it was."""
    return (absent.looked_ms or 0) >= now_ms - ABSENT_DAYS * DAY_MS


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
