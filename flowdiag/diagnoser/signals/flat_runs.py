"""Flat stretches of a series: the longest in which no value is far above the lowest. Arithmetic only."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray


def flat_runs(rate: NDArray[np.float64], span: float, least: int) -> list[tuple[int, int]]:
    """[first, stop) of stretches of `least` values or more, the highest at most 1 + span times the lowest, in order.

    rate: above 0. Where two overlap, the longer is taken whole, of equal ones the earlier, and of the
    other what is left.
    """
    found: list[tuple[int, int]] = []
    lows: deque[int] = deque()
    highs: deque[int] = deque()
    first = 0
    values = rate.tolist()
    for index, value in enumerate(values):
        begin = first
        while lows and values[lows[-1]] >= value:
            lows.pop()
        while highs and values[highs[-1]] <= value:
            highs.pop()
        lows.append(index)
        highs.append(index)
        while values[highs[0]] > (1.0 + span) * values[lows[0]]:
            first += 1
            if lows[0] < first:
                lows.popleft()
            if highs[0] < first:
                highs.popleft()
        if first != begin and index - begin >= least:
            found.append((begin, index))
    if len(values) - first >= least:
        found.append((first, len(values)))
    taken = np.zeros(len(values), dtype=np.bool_)
    chosen: list[tuple[int, int]] = []
    for begin, stop in sorted(found, key=lambda run: (run[0] - run[1], run[0])):
        free = begin + np.flatnonzero(~taken[begin:stop])
        if len(free) >= least:  # runs overlap at their ends only
            taken[begin:stop] = True
            chosen.append((int(free[0]), int(free[-1]) + 1))
    return sorted(chosen)
