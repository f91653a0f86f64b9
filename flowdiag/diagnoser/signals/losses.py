"""What lost records and restarts of the exporter hide: how much of the traffic, and when.

Records are lost whatever they hold, so that of octets about the same part is lost as of records: a rate is about what
was measured over (1 - part lost). The part is taken over some minutes on both sides, because messages hold many records
and one of them is lost or not. Where all of some minutes was lost, or a restart emptied the exporter's cache, nothing can
be scaled up: a dip there is no sign of quiet (arithmetic; the times are common practice, no source).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.usage import Usage
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case

AROUND_MS: Final = 900_000
# Under this part lost nothing is scaled up: it is far below what a rate is known to.
LEAST_SHARE: Final = 0.001
# More than that cannot be scaled up either: what was measured says too little.
MOST_SHARE: Final = 0.5


@once_per_case
def _by_minute(case: Case) -> NDArray[np.float64] | None:
    """The part of the records that was lost around each minute of the usage; None where hardly any was."""
    coverage, usage = case.coverage, case.usage
    lost_in_all = coverage.lost_records
    if lost_in_all < LEAST_SHARE * max(lost_in_all + coverage.records, 1):
        return None
    if not coverage.losses:
        return np.full(usage.windows, min(lost_in_all / (lost_in_all + coverage.records), MOST_SHARE))
    lost = np.zeros(usage.windows)
    for event in coverage.losses:
        lost[_place(usage, event.time_ms)] += event.records
    ends = np.clip((case.flows.end_ms - usage.start_ms) // usage.window_ms, 0, usage.windows - 1)
    counted = np.bincount(ends, minlength=usage.windows).astype(np.float64)
    came = counted * (coverage.records / max(len(case.flows), 1))
    reach = int(AROUND_MS // usage.window_ms)
    near_lost, near_came = _around(lost, reach), _around(came, reach)
    share: NDArray[np.float64] = near_lost / np.maximum(near_lost + near_came, 1.0)
    return np.minimum(share, MOST_SHARE)


@once_per_case
def _chance(case: Case) -> NDArray[np.float64]:
    """The relative error of the part lost around each minute: 1/sqrt(n) of n losses (Poisson)."""
    usage = case.usage
    events = np.zeros(usage.windows)
    for event in case.coverage.losses:
        events[_place(usage, event.time_ms)] += max(event.messages, 1)
    near = _around(events, int(AROUND_MS // usage.window_ms))
    error: NDArray[np.float64] = 1.0 / np.sqrt(np.maximum(near, 1.0))
    return error


def _place(usage: Usage, time_ms: int) -> int:
    return min(max((time_ms - usage.start_ms) // usage.window_ms, 0), usage.windows - 1)


def _around(values: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Of each window, the sum over it and `reach` windows on both sides."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    place = np.arange(len(values))
    sums: NDArray[np.float64] = (
        total[np.minimum(place + reach + 1, len(values))] - total[np.maximum(place - reach, 0)]
    )
    return sums


def lost_share(case: Case, usage: Usage, errors: float = 0.0) -> NDArray[np.float64]:
    """The part of the records lost around each window of a usage, 0 to MOST_SHARE; shape [window].

    errors: so many standard errors are added, taken off where negative.
    """
    by_minute = _by_minute(case)
    if by_minute is None:
        return np.zeros(usage.windows)
    if errors:
        by_minute = np.clip(by_minute * (1.0 + errors * _chance(case)), 0.0, MOST_SHARE)
    if usage is case.usage:
        return by_minute
    starts = usage.start_ms + usage.window_ms * np.arange(usage.windows, dtype=np.int64)
    place = np.clip((starts - case.usage.start_ms) // case.usage.window_ms, 0, len(by_minute) - 1)
    shares: NDArray[np.float64] = by_minute[place]
    return shares


def lost_between(case: Case, begin_ms: int, end_ms: int) -> float:
    """The largest part of the records lost around any minute of [begin, end)."""
    by_minute = _by_minute(case)
    if by_minute is None:
        return 0.0
    first, past = _place(case.usage, begin_ms), _place(case.usage, max(end_ms - 1, begin_ms)) + 1
    return float(by_minute[first:past].max())


def hidden(case: Case, usage: Usage) -> NDArray[np.bool_]:
    """Windows of a usage in which octets may be missing: what a loss or a restart took was metered in them."""
    reach_ms = case.coverage.resolution_s * 1000
    mask = np.zeros(usage.windows + 1, np.int64)
    spans = [
        (event.time_ms if event.since_ms is None else event.since_ms, event.time_ms)
        for event in case.coverage.losses
    ]
    for begin, end in [*spans, *case.coverage.restarts]:
        first = max((begin - reach_ms - usage.start_ms) // usage.window_ms, 0)
        past = min((max(end, begin) - usage.start_ms) // usage.window_ms + 1, usage.windows)
        if past > first:
            mask[first] += 1
            mask[past] -= 1
    covered: NDArray[np.bool_] = np.cumsum(mask[:-1]) > 0
    return covered
