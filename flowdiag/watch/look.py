"""A look at a site: from a store, a profile and the time to what is told of the site. It depends on these three alone.

Facts the design follows:
- the records tell of the time until they end, which is some minutes ago: they are judged up to there, whatever the time is, so
  that the same records give the same state; how long ago that is tells only whether the exporter is still heard;
- an hour tells what a site is on as long as something changed in it; of one that has been on its backup, or quiet, for longer,
  a longer time is needed to know since when, and whether that is an outage or a night;
- how long an exporter may say nothing is its own habit's, of the hours (diagnoser/signals/silences.py, habit.py) and of the week
  before (habit.py).
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from functools import partial
from typing import Final
from zlib import crc32

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.collector.store.asking import asked_again
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.opening import open_backend
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.silences import noticed_ms
from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS, Span
from flowdiag.long_times import long_case
from flowdiag.site.clock import LocalTime
from flowdiag.site.profile import Profile
from flowdiag.watch.habit import pause_ms, signs_ms, usual_until
from flowdiag.watch.judging import found, marks, spells
from flowdiag.watch.reading import MOST_ROWS, SHORTEST_MS, Recent, known_from, read_case, recent, rows_since
from flowdiag.watch.state import DayState, Mark, SiteState, Spell

# Looked at one after the other until the site's state began within one.
LOOKS_MS: Final = (HOUR_MS, 6 * HOUR_MS, DAY_MS)
# How often a site that is quiet is looked back upon for longer than an hour.
BACK_EVERY_MS: Final = 15 * MINUTE_MS
# Missing keepalives are told after some intervals; so many more show that they were there before.
INTERVALS_BESIDE: Final = 5
# An exporter that was heard within this time is heard: a collector hands on what came once a minute, and records wait for the
# active timeout, a minute as a rule, five in some routers.
LEAST_UNHEARD_MS: Final = 6 * MINUTE_MS


class Looked(Struct, frozen=True):
    """digest: of the files that it is of; case: what it was taken from, None where the store has no flows of that time."""

    digest: str
    state: SiteState
    case: Case | None = None


class LookedDay(Struct, frozen=True):
    digest: str
    day: DayState


@asked_again
def look(
    store: str,
    profile: Profile,
    now_ms: int,
    known: str | None = None,
    before: SiteState | None = None,
    only: Collection[str] | None = None,
) -> Looked | None:
    """The state of a site now; None where its files are those of which `known` is the digest. now_ms: since 1970 UTC; before: the
    state of the last look, of who looks each minute: a site that was quiet then, and is, is not looked back upon each time. only:
    codes of the findings that are looked for, None for all.

    Raises StoreError, ProfileError."""
    backend = open_backend(store)
    with backend.reading():
        files = recent(backend, profile, now_ms)
        if files.digest == known:
            return None
        return Looked(files.digest, *_state(backend, profile, files, now_ms, before, only))


@asked_again
def look_at_day(
    store: str, profile: Profile, now_ms: int, known: str | None = None, only: Collection[str] | None = None
) -> LookedDay | None:
    """The last day of a site. As look()."""
    backend = open_backend(store)
    with backend.reading():
        files = recent(backend, profile, now_ms)
        if files.digest == known:
            return None
        return LookedDay(files.digest, _day(store, backend, profile, files, now_ms, only))


def _day(
    store: str,
    backend: StorageBackend,
    profile: Profile,
    files: Recent,
    now_ms: int,
    only: Collection[str] | None,
) -> DayState:
    end_ms = files.newest_ms
    if end_ms is None or end_ms <= now_ms - DAY_MS:
        return DayState(now_ms - DAY_MS, now_ms)
    begin_ms = known_from(backend, profile, files, end_ms - DAY_MS) // MINUTE_MS * MINUTE_MS
    case = _day_case(store, backend, profile, files, (begin_ms, end_ms), now_ms)
    if case is None:
        return DayState(begin_ms, end_ms)
    begin_ms, end_ms = case.window_ms
    findings = found(case, only)
    return DayState(begin_ms, end_ms, spells(case, findings, end_ms), marks(case, findings, end_ms))


def _state(
    backend: StorageBackend,
    profile: Profile,
    files: Recent,
    now_ms: int,
    before: SiteState | None,
    only: Collection[str] | None,
) -> tuple[SiteState, Case | None]:
    newest_ms = files.newest_ms
    if newest_ms is None:
        return SiteState(), None
    usual = partial(usual_until, backend, profile.site.exporter_octets, profile.site.timezone)
    state, known = SiteState(), None
    for length_ms in _lengths(profile):
        begin_ms = known_from(backend, profile, files, newest_ms - length_ms)
        if rows_since(files, begin_ms) > MOST_ROWS:
            if known is not None:
                break
            begin_ms = newest_ms - SHORTEST_MS
        case = read_case(backend, profile, files, begin_ms, now_ms)
        if case is None:
            continue
        state, known = _judged(case, only, usual), case
        if state.on == "main" or state.since_ms is not None:
            break
        if before is not None and is_quiet_still(before, state, crc32(profile.site.name.encode())):
            state = replace(state, since_ms=before.since_ms)
            break
    if known is None:
        state = SiteState(heard_ms=newest_ms, unheard_ms=max(newest_ms + LEAST_UNHEARD_MS, usual(newest_ms)))
    return state, known


def is_quiet_still(before: SiteState, state: SiteState, shift: int) -> bool:
    """Whether a longer time was looked at not long ago, and showed that nothing but quiet was to be seen. shift: of the site, so
    that not all sites look back in the same minute."""
    times = before.judged_ms, state.judged_ms
    return (
        before.on == state.on == "quiet"
        and not before.marks
        and not state.marks
        and times[0] is not None
        and times[1] is not None
        and (times[0] + shift) // BACK_EVERY_MS == (times[1] + shift) // BACK_EVERY_MS
    )


def _lengths(profile: Profile) -> list[int]:
    """How long to look back, in order: as long as a missing keepalive of the site needs, at least."""
    intervals = profile.thresholds.keepalive_missing_intervals + INTERVALS_BESIDE
    slowest_s = max((probe.interval_s for link in profile.link for probe in link.keepalive), default=0.0)
    least = min(round(intervals * slowest_s * 1000), DAY_MS)
    return sorted({max(length, least) for length in LOOKS_MS})


def _judged(case: Case, only: Collection[str] | None, usual: Callable[[int], int]) -> SiteState:
    """only: the findings that are looked for, None: all; usual: until when a silence that begins at a time is nothing unusual
    (habit.py)."""
    begin_ms, end_ms = case.window_ms
    findings = found(case, only)
    told: tuple[Mark, ...] = marks(case, findings, end_ms)
    over: tuple[Spell, ...] = spells(case, findings, end_ms)
    last = over[-1]
    heard = case.coverage.heard[: case.usage.touched(0, end_ms).stop]
    signs = signs_ms(case)
    silent_ms = max(noticed_ms(heard, case.usage.window_ms), pause_ms(signs), LEAST_UNHEARD_MS)
    return SiteState(
        on=last.on,
        since_ms=last.begin_ms if len(over) > 1 else None,
        judged_ms=end_ms,
        begin_ms=begin_ms,
        heard_ms=end_ms,
        heard_since_ms=_heard_since(signs),
        unheard_ms=max(end_ms + silent_ms, usual(end_ms)),
        marks=told,
    )


def _heard_since(signs: NDArray[np.int64]) -> int | None:
    """Since when the exporter has said nothing for no longer than LEAST_UNHEARD_MS; None where there is no sign of life."""
    if not len(signs):
        return None
    after = np.flatnonzero(np.diff(signs) > LEAST_UNHEARD_MS)
    return int(signs[after[-1] + 1 if len(after) else 0])


def _day_case(
    store: str, backend: StorageBackend, profile: Profile, files: Recent, span: Span, now_ms: int
) -> Case | None:
    """The case of a day: by roll-ups where its flows are many, as of any long time."""
    clock = LocalTime(profile.site.timezone)
    begin_ms, end_ms = span
    if rows_since(files, begin_ms) > MOST_ROWS:
        begin, end = clock.iso(begin_ms), clock.iso(-(-end_ms // MINUTE_MS) * MINUTE_MS)
        case = long_case([store], profile, begin, end)
        if case is not None:
            return case
        begin_ms = end_ms - SHORTEST_MS
    return read_case(backend, profile, files, begin_ms, now_ms)
