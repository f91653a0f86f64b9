"""The windows in which the figures of a case are kept, the same for sentences, tables and pictures."""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.build import build_usage
from flowdiag.aggregator.figure_windows import figure_window_ms
from flowdiag.aggregator.spread import WindowGrid
from flowdiag.aggregator.usage import Usage
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case

# Short windows reach so far around the time asked about: what lies further away is of no use to it.
AROUND_MS: Final = 86_400_000


class FigureWindows(Struct, frozen=True, eq=False):
    """usage: of each link and direction in these windows; heard: bool per window, the exporter gave a sign of life."""

    usage: Usage
    heard: NDArray[np.bool_]


@once_per_case
def figure_windows(case: Case) -> FigureWindows:
    """Minutes over all of the export; shorter windows where that or the time asked about is short."""
    minutes, heard = case.usage, case.coverage.heard
    window_ms = figure_window_ms(case.coverage, case.window_ms)
    if window_ms >= minutes.window_ms:
        return FigureWindows(minutes, heard)
    begin, end = case.window_ms
    around = minutes.touched(begin - AROUND_MS, end + AROUND_MS)
    if around.start == around.stop:  # the time asked about is far from all records
        return FigureWindows(minutes, heard)
    parts = minutes.window_ms // window_ms
    start_ms = minutes.start_ms + around.start * minutes.window_ms
    grid = WindowGrid(start_ms, window_ms, (around.stop - around.start) * parts)
    usage = build_usage(case.flows, case.profile, grid)
    if case.coverage.span is not None:
        usage = usage.covering(case.coverage.span)
    return FigureWindows(usage, np.repeat(heard[around], parts))
