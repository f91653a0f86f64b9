"""Long silences of every link, and which of them are outages: findings/outage.py says what is decided and why."""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.conversations import distinct
from flowdiag.diagnoser.signals.cut_off import STEP_MS, Outage, attempts_in, nothing_to_see, scene, within
from flowdiag.diagnoser.signals.interrupted import interrupted
from flowdiag.diagnoser.signals.short_outages import short_outages
from flowdiag.diagnoser.signals.timeline import runs
from flowdiag.durations import MINUTE_MS
from flowdiag.site.hours import Hours, parse_hours

LEAST_ATTEMPTS: Final = 10
ATTEMPTS_A_MINUTE: Final = 0.5
# How thin the site's traffic is, is read from an hour on either side; a silence that chance would bring
# once in a million proves nothing.
HABIT_BINS: Final = 360
CHANCE: Final = 1e-6
# Traffic flows when four of five minutes around have some; the same for the site's usual state.
FLOWING: Final = 0.8
AROUND_MS: Final = 600_000
# Without hours and attempts a longer silence than this is people going home, not a line that fails.
LONGEST_WITHOUT_PROOF_MS: Final = 2 * 3_600_000
# Where traffic flowed on one side of a silence alone, people may have come so much later than their hours begin, or gone so much
# before they end. (Common practice, no source.)
EDGE_MINUTES: Final = 60
# An outage that goes on when the export ends, without attempts on record, is only believed in these hours:
# after them people go home. (Common practice, no source.)
ASSUMED_HOURS: Final = parse_hours("Mon-Fri 08:00-17:00")
# Messages that only carry templates come minutes apart; silence between two of them is one.
BRIDGE_MS: Final = 600_000
# Flows that ended are exported so much later at the most: after the idle timeout and the exporter's own queue.
LAG_MS: Final = 60_000
# An exporter that says nothing for more than this part of a silence was silent itself.
MOST_OF_IT: Final = 0.6


class DeadTimes(Struct, frozen=True, eq=False):
    """The long silences of every link."""

    spans: tuple[tuple[int, int], ...]  # [start, end) ms of each, in time order
    attempts: NDArray[np.intp]  # rows by which inside hosts tried to get out in vain within them, by start


@once_per_case
def outages(case: Case) -> tuple[Outage, ...]:
    """Every outage of the export, in time order."""
    if nothing_to_see(case):
        return ()
    judged = [_judge(case, start, end) for start, end in dead_times(case).spans]
    long = [outage for outage in judged if outage is not None]
    return tuple(sorted([*long, *short_outages(case)], key=lambda outage: outage.start_ms))


@once_per_case
def dead_times(case: Case) -> DeadTimes:
    """The long silences of every link, and what was tried in them."""
    spans = tuple(_silences(case))
    return DeadTimes(spans, attempts_in(case, spans) if spans else np.zeros(0, np.intp))


def _silences(case: Case) -> list[tuple[int, int]]:
    """The silences that are long enough and heard, with edges from the records that came around them."""
    first_ms, last_ms = _span(case)
    view, least = scene(case), case.profile.thresholds.outage_minutes * MINUTE_MS
    grid = view.grid
    silences = [(first, stop) for first, stop in runs(~view.carried) if (stop - first + 2) * STEP_MS >= least]
    if not silences:
        return []
    start, end = case.flows.start_ms[view.came], case.flows.end_ms[view.came]
    begins, ends = grid.bin_of(start), grid.bin_of(end)
    found = []
    for first, stop in silences:
        before = end[ends == first - 1] if first else end[:0]
        after = start[begins == stop]
        begin_ms = int(before.max()) if len(before) else max(grid.time_of(first), first_ms)
        end_ms = int(after.min()) if len(after) else min(grid.time_of(stop), last_ms)
        if end_ms - begin_ms >= least:
            found.append((begin_ms, end_ms))
    return [part for silence in found for part in _heard_parts(case, *silence, least)]


def _span(case: Case) -> tuple[int, int]:
    """From the first to the last sign of life of the exporter: records, or whole heard windows past them."""
    usage, coverage = case.usage, case.coverage
    heard = np.flatnonzero(coverage.heard)
    first, last = coverage.first_ms or usage.start_ms, coverage.last_ms or usage.start_ms
    if len(heard):
        last = max(last, usage.start_ms + int(heard[-1]) * usage.window_ms)
    return first, last


def _heard_parts(case: Case, start: int, end: int, least: float) -> list[tuple[int, int]]:
    """The parts of a dead time that the exporter lived through; silence between two signs is bridged."""
    usage = case.usage
    windows = usage.touched(start, end)
    heard = np.flatnonzero(case.coverage.heard[windows]) + windows.start
    if len(heard) < 2:
        return []
    breaks = np.flatnonzero(np.diff(heard) * usage.window_ms > min(BRIDGE_MS, MOST_OF_IT * (end - start)))
    parts = []
    for group in np.split(heard, breaks + 1):
        begin_ms = max(usage.start_ms + int(group[0]) * usage.window_ms, start)
        end_ms = min(usage.start_ms + (int(group[-1]) + 1) * usage.window_ms, end)
        # What is exported in the first minute reports traffic of before; windows that the dead time only
        # touches hold traffic of before or after: no sign of life within it.
        at_ms = usage.start_ms + group * usage.window_ms
        lived = bool(((at_ms >= start + LAG_MS) & (at_ms + usage.window_ms <= end)).any())
        if lived and len(group) >= 2 and end_ms - begin_ms >= least:
            parts.append((begin_ms, end_ms))
    return parts


def _judge(case: Case, start: int, end: int) -> Outage | None:
    flows = case.flows
    tried = within(case, dead_times(case).attempts, start, end)
    hosts = distinct(flows.inside[tried], len(flows.addresses))
    last_ms = _span(case)[1]
    ongoing = last_ms - end < case.usage.window_ms
    if len(tried) >= max(LEAST_ATTEMPTS, (end - start) / MINUTE_MS * ATTEMPTS_A_MINUTE):
        return Outage(start, end, len(tried), hosts, "attempts", ongoing)
    if end - start <= LONGEST_WITHOUT_PROOF_MS and interrupted(
        case, start, end, list(dead_times(case).spans)
    ):
        return Outage(start, end, len(tried), hosts, "interrupted", ongoing)
    # What is still open at the end of the export is not on record yet.
    sure_ms = end - start - (case.coverage.resolution_s * 1000 if ongoing else 0)
    if sure_ms < case.profile.thresholds.outage_minutes * MINUTE_MS or _may_be_chance(case, start, end):
        return None
    before, after = (
        _flowing(case, start - AROUND_MS, start),
        _flowing(case, end, end + AROUND_MS),
    )
    if case.profile.site.hours is not None:
        hours = parse_hours(case.profile.site.hours)
        if min(before, after) < FLOWING:
            hours = hours.inner(EDGE_MINUTES)
        if max(before, after) < FLOWING or not _in_hours(case, hours, start, end):
            return None
        return Outage(start, end, len(tried), hosts, "hours", ongoing)
    steady = min(before, after) >= FLOWING
    if ongoing and before >= 1.0:
        steady = _in_hours(case, ASSUMED_HOURS, start, end)
    if not steady or end - start > LONGEST_WITHOUT_PROOF_MS:
        return None
    return Outage(start, end, len(tried), hosts, "abrupt", ongoing)


def _in_hours(case: Case, hours: Hours, start: int, end: int) -> bool:
    minutes = np.arange(start // MINUTE_MS, max(end // MINUTE_MS, start // MINUTE_MS + 1), dtype=np.int64)
    return float(hours.is_open(minutes, case.profile.site.timezone).mean()) >= FLOWING


def _flowing(case: Case, start: int, end: int) -> float:
    """The part of the minutes of [start, end) in which something was carried; 0 where the export has too few."""
    first_ms, last_ms = _span(case)
    start, end = max(start, first_ms), min(end, last_ms)
    if end - start < AROUND_MS / 2:
        return 0.0
    view = scene(case)
    first = (start - view.grid.start_ms) // STEP_MS
    minutes = view.carried[first : first + (end - start) // STEP_MS]
    whole = len(minutes) // 6 * 6
    return float(minutes[:whole].reshape(-1, 6).any(axis=1).mean())


def _may_be_chance(case: Case, start: int, end: int) -> bool:
    """Whether the site's own habit explains a silence: it is thin around, or as long at another time."""
    view = scene(case)
    first, last = view.grid.bin_of(np.array([start, end]))
    sides = [
        view.carried[max(first - HABIT_BINS, 0) : first],
        view.carried[last + 1 : last + 1 + HABIT_BINS],
    ]
    usual = [float(side.mean()) for side in sides if len(side) >= HABIT_BINS / 6]
    if not usual or (1.0 - min(usual)) ** int(last - first) > CHANCE:
        return True
    others = [until - begin for begin, until in dead_times(case).spans if (begin, until) != (start, end)]
    return any(length >= (end - start) / 2 for length in others)
