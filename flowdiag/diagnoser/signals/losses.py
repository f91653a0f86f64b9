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

# A loss that lasts is alike for a long time around; one that begins or ends shows in less, and where it does, that counts.
AROUND_MS: Final = 900_000
CLOSER_MS: Final = (300_000, 120_000)
# What is lost in a shorter time is another loss if it is so many standard errors off (Poisson) what the longer one says.
OTHER_LOSS: Final = 4.0
# A loss is noticed by the first message after it: up to this long after the exporter is heard again.
NOTICED_MS: Final = 120_000
# So many standard errors (Poisson) more may have been lost in the minutes in which a minute was reported than was.
NEAR_ERRORS: Final = 2.0
# Under this part lost nothing is scaled up: it is far below what a rate is known to.
LEAST_SHARE: Final = 0.001
# More than that cannot be scaled up either: what was measured says too little.
MOST_SHARE: Final = 0.5
# What was measured can bear out a rate, and still not make one, where no more than this was lost.
MOST_HIDDEN: Final = 0.7


@once_per_case
def _around_minutes(case: Case) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Of each minute of the usage, the part of the records lost around it, and of how many losses that is known; None
    where hardly any record was lost.
    """
    coverage, usage = case.coverage, case.usage
    lost_in_all = coverage.lost_records
    if lost_in_all < LEAST_SHARE * max(lost_in_all + coverage.records, 1):
        return None
    if not coverage.losses:
        share = lost_in_all / (lost_in_all + coverage.records)
        return np.full(usage.windows, share), np.ones(usage.windows)
    lost, losses, came = _minutes(case)
    records_a_loss = max(lost.sum() / max(losses.sum(), 1.0), 1.0)
    part, known, sent = _over(lost, losses, came, int(AROUND_MS // usage.window_ms))
    whole = part
    for closer_ms in CLOSER_MS:
        if closer_ms < 2 * coverage.resolution_s * 1000:
            break  # what was metered within one record is reported minutes apart
        near_part, near, sent = _over(lost, losses, came, int(closer_ms // usage.window_ms))
        expected = whole * sent / records_a_loss
        other = np.abs(near - expected) > OTHER_LOSS * np.sqrt(np.maximum(expected, 1.0))
        part, known = np.where(other, near_part, part), np.where(other, near, known)
    return np.minimum(part, _most_near(case, lost, losses, came, NEAR_ERRORS)), known


def _most_near(
    case: Case,
    lost: NDArray[np.float64],
    losses: NDArray[np.float64],
    came: NDArray[np.float64],
    errors: float,
) -> NDArray[np.float64]:
    """The largest part of the records of each minute that can have been lost, by the losses of the minutes in which they
    were reported: a loss that has begun or ended is none of the minutes beside it. errors: so many standard errors are
    added to what was lost.
    """
    ahead = int(-(-case.coverage.resolution_s * 1000 // case.usage.window_ms))
    near_lost, near_losses, near_came = (_ahead(row, ahead) for row in (lost, losses, came))
    a_loss = lost.sum() / max(losses.sum(), 1.0)
    near_lost += errors * a_loss * np.sqrt(near_losses + 1.0)
    most: NDArray[np.float64] = near_lost / np.maximum(near_lost + near_came, 1.0)
    return most


def _ahead(values: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Of each window, the sum over it and `reach` windows after it."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    window = np.arange(len(values))
    sums: NDArray[np.float64] = total[np.minimum(window + reach + 1, len(values))] - total[window]
    return sums


def _over(
    lost: NDArray[np.float64], losses: NDArray[np.float64], came: NDArray[np.float64], reach: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Over each minute and `reach` minutes on both sides: the part of the records lost, the losses, the records sent."""
    near_lost = _around(lost, reach)
    sent = np.maximum(near_lost + _around(came, reach), 1.0)
    return near_lost / sent, _around(losses, reach), sent


@once_per_case
def _minutes(case: Case) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Of each minute of the usage: records lost, losses, and records that came."""
    usage = case.usage
    ends = np.clip((case.flows.end_ms - usage.start_ms) // usage.window_ms, 0, usage.windows - 1)
    counted = np.bincount(ends, minlength=usage.windows).astype(np.float64)
    return *_lost_by_minute(case), counted * (case.coverage.records / max(len(case.flows), 1))


def _lost_by_minute(case: Case) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Records, and messages, that were lost in each minute of the usage, each loss spread over the time it lies in."""
    usage = case.usage
    lost, losses = np.zeros(usage.windows), np.zeros(usage.windows)
    for event in case.coverage.losses:
        last = _window_of(usage, event.time_ms)
        first = last if event.since_ms is None else min(_window_of(usage, event.since_ms), last)
        lost[first : last + 1] += event.records / (last + 1 - first)
        losses[first : last + 1] += max(event.messages, 1) / (last + 1 - first)
    return lost, losses


def _by_minute(case: Case) -> NDArray[np.float64] | None:
    """The part of the records that was lost around each minute of the usage; None where hardly any was."""
    around = _around_minutes(case)
    return None if around is None else around[0]


def _chance(case: Case) -> NDArray[np.float64]:
    """The relative error of the part lost around each minute: 1/sqrt(n) of n losses (Poisson)."""
    around = _around_minutes(case)
    losses = np.ones(case.usage.windows) if around is None else around[1]
    error: NDArray[np.float64] = 1.0 / np.sqrt(np.maximum(losses, 1.0))
    return error


def _window_of(usage: Usage, time_ms: int) -> int:
    return min(max((time_ms - usage.start_ms) // usage.window_ms, 0), usage.windows - 1)


def _around(values: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Of each window, the sum over it and `reach` windows on both sides."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    window = np.arange(len(values))
    sums: NDArray[np.float64] = (
        total[np.minimum(window + reach + 1, len(values))] - total[np.maximum(window - reach, 0)]
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
        by_minute = by_minute * (1.0 + errors * _chance(case))
    return _on_windows(case, usage, np.clip(by_minute, 0.0, MOST_SHARE))


def most_lost(case: Case, usage: Usage, errors: float) -> NDArray[np.float64]:
    """The part of the records of each window of a usage that was lost, by the minutes in which they were reported and so
    many standard errors more, 0 to MOST_HIDDEN; shape [window].
    """
    if _by_minute(case) is None or not case.coverage.losses:
        return np.zeros(usage.windows)
    return _on_windows(case, usage, np.minimum(_most_near(case, *_minutes(case), errors), MOST_HIDDEN))


def _on_windows(case: Case, usage: Usage, by_minute: NDArray[np.float64]) -> NDArray[np.float64]:
    if usage is case.usage:
        return by_minute
    starts = usage.start_ms + usage.window_ms * np.arange(usage.windows, dtype=np.int64)
    window = np.clip((starts - case.usage.start_ms) // case.usage.window_ms, 0, len(by_minute) - 1)
    shares: NDArray[np.float64] = by_minute[window]
    return shares


def lost_between(case: Case, begin_ms: int, end_ms: int, errors: float = 0.0) -> float:
    """The largest part of the records lost around any minute of [begin, end); errors: as for lost_share."""
    if _by_minute(case) is None:
        return 0.0
    by_minute = lost_share(case, case.usage, errors)
    first, stop = _window_of(case.usage, begin_ms), _window_of(case.usage, max(end_ms - 1, begin_ms)) + 1
    return float(by_minute[first:stop].max())


def lost_in_window(case: Case) -> tuple[int, float]:
    """Records lost in the time asked about, and their part of those that were sent in it; where nothing says when they
    were lost, of all of the export.
    """
    coverage, (begin, end) = case.coverage, case.window_ms
    lost, came = coverage.lost_records, float(coverage.records)
    if coverage.losses:
        late = max(NOTICED_MS, coverage.resolution_s * 1000)
        lost = sum(event.records for event in coverage.losses if begin <= event.time_ms < end + late)
        came = records_in_window(case)
    return lost, lost / max(lost + came, 1.0)


def records_in_window(case: Case) -> float:
    """Records that ended in the time asked about, as exported; the flow table may count a record on no or two links."""
    flows, (begin, end) = case.flows, case.window_ms
    if not len(flows):
        return float(case.coverage.records)
    inside = int(np.count_nonzero((flows.end_ms >= begin) & (flows.end_ms < end)))
    return inside / len(flows) * case.coverage.records


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
        stop = min((max(end, begin) - usage.start_ms) // usage.window_ms + 1, usage.windows)
        if stop > first:
            mask[first] += 1
            mask[stop] -= 1
    covered: NDArray[np.bool_] = np.cumsum(mask[:-1]) > 0
    return covered
