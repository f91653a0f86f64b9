"""Watches what is played, minute by minute of played time, and holds what is told against what was played."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Final

from msgspec import Struct

from flowdiag.durations import HOUR_MS, MINUTE_MS
from flowdiag.watch.changes import Place, Rules
from flowdiag.watch.event import Event, SiteMemory
from flowdiag.watch.site_task import SitesTask, SiteToWatch, watch_sites
from flowdiag.watch.state import SiteState
from tests.watch.casts import NOON, Cast, Truth
from tests.watch.player import Player

MOST_AN_HOUR: Final = 2
MERGED_AFTER: Final = 10  # rounds


class Round(Struct, frozen=True):
    """What one look at one site gave."""

    now_ms: int
    cast: Cast
    state: SiteState
    events: tuple[Event, ...]


class Watcher:
    """Remembers what is known of sites between rounds, as a watch does."""

    def __init__(self, flows: str, casts: Sequence[Cast], rules: Rules | None = None) -> None:
        self._flows, self._rules = flows, rules or Rules()
        self._casts = {cast.name: cast for cast in casts}
        self._known = {cast.name: SiteMemory() for cast in casts}

    def round(self, now_ms: int) -> Iterator[Round]:
        sites = tuple(
            SiteToWatch(_place(cast), cast.profile, self._known[name]) for name, cast in self._casts.items()
        )
        task = SitesTask(self._flows, 0, sites, now_ms, self._rules, listening=True)
        for done in watch_sites(task, lambda _: None):
            self._known[done.place] = done.memory
            yield Round(now_ms, self._casts[done.place], done.memory.state.at(now_ms), done.events)


def _place(cast: Cast) -> Place:
    site = cast.profile.site
    return Place(cast.name, site.name, site.timezone, site.upstream)


def watched(
    folder: Path,
    casts: Sequence[Cast],
    *,
    from_ms: int | None = None,
    until_ms: int | None = None,
    every_ms: int = MINUTE_MS,
) -> Iterator[Round]:
    """Every look at every one of some casts, from from_ms to until_ms; what comes before is in the store by then."""
    coming = [came for cast in casts for came in cast.arriving]
    player = Player(folder, *coming, merge_ms=MERGED_AFTER * every_ms)
    watcher = Watcher(player.flows, casts)
    begin_ms = min(cast.from_ms for cast in casts) if from_ms is None else from_ms
    end_ms = max(cast.until_ms for cast in casts) if until_ms is None else until_ms
    for now_ms in range(begin_ms, end_ms + 1, every_ms):
        player.play(now_ms)
        yield from watcher.round(now_ms)


class Told(Struct, frozen=True):
    """An incident as it was told, at last. began_told_ms, ended_told_ms: when; None where it was not."""

    code: str
    link: str | None
    direction: str | None
    began_ms: int
    ended_ms: int | None
    began_told_ms: int
    ended_told_ms: int | None
    events: tuple[int, ...]

    def is_of(self, truth: Truth) -> bool:
        return (
            self.code == truth.code
            and truth.link in (None, self.link)
            and truth.direction in (None, self.direction)
        )


def told(events: Iterable[Event]) -> list[Told]:
    by_key: dict[str, list[Event]] = {}
    for event in events:
        by_key.setdefault(event.key, []).append(event)
    found = []
    for own in by_key.values():
        last, ends = own[-1], [event for event in own if event.state == "ended"]
        found.append(
            Told(
                last.code, last.link, last.direction, last.began_ms, last.ended_ms, own[0].told_ms,
                ends[-1].told_ms if ends else None, tuple(event.told_ms for event in own),
            )
        )  # fmt: skip
    return sorted(found, key=lambda one: (one.began_ms, one.code))


class Judged(Struct, frozen=True):
    """right: what was told as it was; wrong: in words."""

    right: tuple[tuple[Truth, Told], ...]
    wrong: tuple[str, ...]


def judge(cast: Cast, events: Sequence[Event]) -> Judged:
    """Whether each thing that was played was told once, with its times, and nothing else was."""
    incidents, near_ms = told(events), MINUTE_MS + cast.resolution_ms
    right, wrong = [], []
    left = list(incidents)
    for truth in cast.truth:
        until_ms = cast.until_ms if truth.ended_ms is None else truth.ended_ms
        own = [
            one
            for one in left
            if one.is_of(truth)
            and one.began_ms <= until_ms + near_ms
            and (one.ended_ms or cast.until_ms) >= truth.began_ms - near_ms
        ]
        left = [one for one in left if one not in own]
        if not truth.certain:
            continue
        if not own:
            wrong.append(f"{truth.code} of {_clock(cast, truth.began_ms)} was not told")
            continue
        if len(own) > 1:
            wrong.append(f"{truth.code} of {_clock(cast, truth.began_ms)} was told {len(own)} times")
        right.append((truth, own[0]))
        wrong += _times(cast, truth, own[0], near_ms)
    wrong += [f"{one.code} {_clock(cast, one.began_ms)} was told and was not" for one in left]
    wrong += _too_many(cast, incidents)
    return Judged(tuple(right), tuple(wrong))


def _times(cast: Cast, truth: Truth, one: Told, near_ms: int) -> Iterator[str]:
    if abs(one.began_ms - truth.began_ms) > near_ms:
        yield f"{truth.code} began {_clock(cast, one.began_ms)} in place of {_clock(cast, truth.began_ms)}"
    if truth.ended_ms is None:
        if one.ended_ms is not None:
            yield f"{truth.code} goes on, and ended {_clock(cast, one.ended_ms)}"
    elif one.ended_ms is None:
        yield f"{truth.code} ended {_clock(cast, truth.ended_ms)}, which was not told"
    elif abs(one.ended_ms - truth.ended_ms) > near_ms:
        yield f"{truth.code} ended {_clock(cast, one.ended_ms)} in place of {_clock(cast, truth.ended_ms)}"


def _too_many(cast: Cast, incidents: Sequence[Told]) -> Iterator[str]:
    by_matter: dict[tuple[str, str | None, str | None], list[int]] = {}
    for one in incidents:
        by_matter.setdefault((one.code, one.link, one.direction), []).extend(one.events)
    for matter, times in by_matter.items():
        times.sort()
        for first, later in zip(times, times[MOST_AN_HOUR:], strict=False):
            if later - first < HOUR_MS:
                yield f"{matter[0]}: more than {MOST_AN_HOUR} events in the hour from {_clock(cast, first)}"
                break


def _clock(cast: Cast, ms: int) -> str:
    """In minutes of the play, from the first moment at which something may begin."""
    return f"{(ms - NOON) / MINUTE_MS:+.1f}"
