"""How long a rate was over a threshold: by whole windows, and by times known to the second where there are such.

A window over a threshold counts with all of its length. Where the records tell to the second when a link was full, a
window that such a time touches says nothing more of it: that a spell from 14:00:20 to 14:01:40 makes no full minute, or
makes two, comes from where minutes begin. So the spell counts in place of the windows it touches, and a total agrees with
the times that are shown (arithmetic).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from flowdiag.durations import Span


def inside(spans: Iterable[Span], begin_ms: int, end_ms: int) -> list[Span]:
    """The parts of spans that lie in [begin, end)."""
    cut = [(max(start, begin_ms), min(end, end_ms)) for start, end in spans]
    return [(start, end) for start, end in cut if end > start]


def full_ms(
    begin_ms: NDArray[np.int64], length_ms: NDArray[np.int64], over: NDArray[np.bool_], exact: Sequence[Span]
) -> int:
    """Time over a threshold in ms: exact times, and the windows over it that none of them touches.

    begin_ms, length_ms, over: per window, in order of time and none overlapping, shape [n]; exact: in order, none
    overlapping.
    """
    counted = over.copy()
    for start, end in exact:
        counted[_touched(begin_ms, length_ms, start, end)] = False
    return int(length_ms[counted].sum()) + sum(end - start for start, end in exact)


def busy_ms(
    begin_ms: NDArray[np.int64], length_ms: NDArray[np.int64], over: NDArray[np.bool_], exact: Sequence[Span]
) -> int:
    """Time over a lower threshold in ms: the windows over it, and exact times over the higher one that lie in others.

    Arguments as for full_ms(); never less than that with the higher threshold.
    """
    total = int(length_ms[over].sum())
    for start, end in exact:
        near = _touched(begin_ms, length_ms, start, end)
        begins, pasts = begin_ms[near], begin_ms[near] + length_ms[near]
        shared = np.minimum(pasts, end) - np.maximum(begins, start)
        total += end - start - int(shared[over[near]].sum())
    return total


def _touched(begin_ms: NDArray[np.int64], length_ms: NDArray[np.int64], start: int, end: int) -> slice:
    """The windows that [start, end) touches."""
    first = np.searchsorted(begin_ms + length_ms, start, "right")
    return slice(int(first), int(np.searchsorted(begin_ms, end, "left")))
