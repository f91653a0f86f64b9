"""When a link was full, to the second, and the figures of each link that count these times: one number for all that tell them.

A short spell (at_limit.py) has its own seconds. Windows cut them otherwise: a spell from 14:00:20 to 14:01:40 makes no full
minute, or one, by where the minutes begin. So where minutes are counted, a spell counts in place of the windows it touches.
Sustained episodes are made of windows, and count by them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.figures import LinkFigures
from flowdiag.aggregator.full_time import full_ms, inside
from flowdiag.aggregator.link_figures import link_figures
from flowdiag.aggregator.usage import Usage
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.at_limit import at_limit
from flowdiag.diagnoser.signals.figure_windows import figure_windows
from flowdiag.durations import MINUTE_MS, Span


@once_per_case
def full_times(case: Case) -> Mapping[tuple[int, int], tuple[Span, ...]]:
    """By link and direction, [start, end) in ms of the times known to the second in which it was full, in order."""
    return {(limit.link, limit.direction): limit.spells for limit in at_limit(case)}


@once_per_case
def figures(case: Case) -> tuple[LinkFigures, ...]:
    """The figures of each link over the time asked about."""
    windows = figure_windows(case)
    return link_figures(
        windows.usage, case.carried, case.profile, case.window_ms, windows.heard, full_times(case)
    )


def full_within(case: Case, link: int, direction: int, spans: Iterable[Span]) -> list[Span]:
    """The times known to the second in which a link was full, as far as they lie in spans in order of time."""
    times = full_times(case).get((link, direction), ())
    return [part for begin, end in spans for part in inside(times, begin, end)]


def minutes_of(
    case: Case,
    usage: Usage,
    windows: NDArray[np.intp],
    over: NDArray[np.bool_],
    exact: Sequence[Span],
    added: Callable[..., int] = full_ms,
) -> float:
    """Minutes of 60 s, to a hundredth, of windows over a threshold and of times known to the second, added up by full_ms or
    busy_ms. windows: indexes; over: of each of them.
    """
    begins = usage.start_ms + windows * usage.window_ms
    if case.coverage.first_ms is not None:
        begins = np.maximum(begins, case.coverage.first_ms)
    return minutes(added(begins, usage.lengths_ms[windows], over, exact))


def minutes(length_ms: int) -> float:
    """A length in minutes of 60 s to a hundredth, whole ones as such."""
    rounded = round(length_ms / MINUTE_MS, 2)
    return int(rounded) if rounded.is_integer() else rounded
