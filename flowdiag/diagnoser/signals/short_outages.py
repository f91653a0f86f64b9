"""Outages of seconds: nothing came in over any link for twenty seconds to three minutes, in the time asked about.

In so short a time a quiet site looks no different, so only attempts prove it: hosts tried in vain to reach several
places, some of which answer at other times, or several hosts tried many times. The first seconds of a failover belong to
that. What is silent without proof is a doubt for not-the-link (common practice, no source for the figures).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.conversations import distinct
from flowdiag.diagnoser.signals.cut_off import (
    STEP_MS,
    Outage,
    attempts_in,
    nothing_to_see,
    scene,
    silence_edges,
    within,
)
from flowdiag.diagnoser.signals.failovers import failovers
from flowdiag.diagnoser.signals.losses import hidden
from flowdiag.diagnoser.signals.timeline import runs
from flowdiag.durations import MINUTE_MS

SHORTEST_MS: Final = 20_000
LEAST_ATTEMPTS: Final = 5
MANY_ATTEMPTS: Final = 10
LEAST_PLACES: Final = 3
# Either so many of the places answer at other times (then these are enough, if tried often), or many hosts tried often.
LEAST_ANSWERING: Final = 2
LEAST_HOSTS: Final = 3
# From this length on, or from half of the time asked about, it explains a complaint by itself.
VERDICT_MS: Final = 60_000
VERDICT_PART: Final = 0.5
# A silence so likely by the site's own habit is not looked into.
LIKELY: Final = 0.01
# A silence without attempts is a doubt where the site's habit makes it so unlikely.
UNLIKELY: Final = 1e-4
HABIT_BINS: Final = 360
# So near to a failover or a fail-back a silence is the switch itself.
SWITCH_MS: Final = 60_000
# More silences than that are a habit.
MOST: Final = 12


@once_per_case
def _silences(case: Case) -> tuple[tuple[int, int, float], ...]:
    """(start ms, end ms, how likely by habit) of each short silence that touches the time asked about."""
    if nothing_to_see(case):
        return ()
    view = scene(case)
    grid, carried = view.grid, view.carried
    first_ms, last_ms = case.coverage.first_ms or 0, case.coverage.last_ms or 0
    low, high = max(case.window_ms[0], first_ms), min(case.window_ms[1], last_ms)
    longest = case.profile.thresholds.outage_minutes * MINUTE_MS
    total = np.concatenate([[0], np.cumsum(carried)])
    blind = hidden(case, case.usage)
    begins, ends = grid.bin_of(np.array([first_ms, last_ms]))
    found = []
    for first, past in runs(~carried):
        begin, stop = grid.time_of(first), grid.time_of(past)
        if stop <= low or begin >= high or (past - first + 2) * STEP_MS < SHORTEST_MS:
            continue
        left, right = max(first - HABIT_BINS, int(begins)), min(past + HABIT_BINS, int(ends) + 1)
        around = total[right] - total[left]
        habit = float(around) / max(right - left - (past - first), 1)
        likely = (1.0 - min(habit, 1.0)) ** (past - first)
        minute = (begin - case.usage.start_ms) // case.usage.window_ms
        if likely > LIKELY or bool(blind[minute : minute + 1].any()):
            continue
        start, end = silence_edges(case, first, past)
        start, end = max(start, first_ms), min(end, last_ms)
        if SHORTEST_MS <= end - start < longest:
            found.append((start, end, likely))
    return tuple(found) if len(found) <= MOST else ()


@once_per_case
def short_outages(case: Case) -> tuple[Outage, ...]:
    """Those that attempts prove, in time order."""
    spans = [(start, end) for start, end, _ in _silences(case) if not _at_a_switch(case, start, end)]
    if not spans:
        return ()
    attempts = attempts_in(case, spans, margin_ms=STEP_MS)
    answering = _answering(case, spans)
    found = []
    for start, end in spans:
        tried = within(case, attempts, start, end)
        places = np.unique(case.flows.outside[tried])
        hosts = distinct(case.flows.inside[tried], len(case.flows.addresses))
        many, several = len(tried) >= MANY_ATTEMPTS, len(places) >= LEAST_PLACES
        known = int(answering[places].sum()) >= LEAST_ANSWERING and len(tried) >= LEAST_ATTEMPTS
        if (known and (many or several)) or (many and several and hosts >= LEAST_HOSTS):
            ongoing = (case.coverage.last_ms or end) - end < STEP_MS
            short = not _explains(case, start, end)
            found.append(Outage(start, end, len(tried), hosts, "attempts", ongoing, short))
    return tuple(found)


def unexplained_silences(case: Case) -> list[tuple[int, int]]:
    """[start, end) of short silences that are unlike the site and that neither attempts nor a failover explain."""
    known = [(outage.start_ms, outage.end_ms) for outage in short_outages(case)]
    return [
        (start, end)
        for start, end, likely in _silences(case)
        if likely <= UNLIKELY and (start, end) not in known and not _at_a_switch(case, start, end)
    ]


def _explains(case: Case, start: int, end: int) -> bool:
    begin, stop = case.window_ms
    inside = min(end, stop) - max(start, begin)
    return end - start >= VERDICT_MS or inside >= VERDICT_PART * (stop - begin)


def _at_a_switch(case: Case, start: int, end: int) -> bool:
    return any(
        start < moment + SWITCH_MS and end > moment - SWITCH_MS
        for failover in failovers(case).episodes
        for moment in (failover.start_ms, failover.end_ms)
    )


def _answering(case: Case, spans: list[tuple[int, int]]) -> NDArray[np.bool_]:
    """Per address, whether it sent anything outside of the spans."""
    flows = case.flows
    answering = np.zeros(len(flows.addresses), np.bool_)
    came = flows.direction == DOWN
    for start, end in spans:
        came &= (flows.end_ms < start) | (flows.start_ms > end)
    answering[flows.outside[came]] = True
    return answering
