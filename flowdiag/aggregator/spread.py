"""Octets of flows spread evenly over each flow's own time, window by window (common practice, see docs)."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

CHUNK: Final = 1_000_000  # flows at a time, to bound memory


def spread(
    start_ms: NDArray[np.int64],
    end_ms: NDArray[np.int64],
    values: NDArray[np.float64],
    origin_ms: int,
    window_ms: int,
    windows: int,
) -> NDArray[np.float64]:
    """Sum of values per window, shape [windows]. A flow without duration counts in its own window.

    What falls outside the windows is not counted. Conservation holds to rounding.
    """
    out = np.zeros(windows + 1)
    for at in range(0, len(start_ms), CHUNK):
        part = slice(at, at + CHUNK)
        _spread_part(start_ms[part], end_ms[part], values[part], origin_ms, window_ms, out)
    return out[:windows]


def _spread_part(
    start: NDArray[np.int64],
    end: NDArray[np.int64],
    values: NDArray[np.float64],
    origin: int,
    window: int,
    out: NDArray[np.float64],
) -> None:
    windows = len(out) - 1
    first = (start - origin) // window
    last = np.maximum(first, (end - 1 - origin) // window)
    single = first == last
    inside = single & (first >= 0) & (first < windows)
    out += np.bincount(first[inside], values[inside], minlength=windows + 1)
    many = np.flatnonzero(~single & (last >= 0) & (first < windows))
    if not len(many):
        return
    spans = last[many] - first[many] + 1
    row = np.repeat(many, spans)
    step = np.arange(len(row)) - np.repeat(np.cumsum(spans) - spans, spans)
    index = first[row] + step
    low = np.maximum(start[row], origin + index * window)
    high = np.minimum(end[row], origin + (index + 1) * window)
    share = (high - low) / (end[row] - start[row])
    kept = (index >= 0) & (index < windows)
    out += np.bincount(index[kept], (values[row] * share)[kept], minlength=windows + 1)


def overlap_share(
    start_ms: NDArray[np.int64], end_ms: NDArray[np.int64], from_ms: int, to_ms: int
) -> NDArray[np.float64]:
    """Share of each flow's time inside [from, to), 0 to 1."""
    length = np.maximum(end_ms - start_ms, 1)
    inside = np.minimum(np.maximum(end_ms, start_ms + 1), to_ms) - np.maximum(start_ms, from_ms)
    share: NDArray[np.float64] = np.clip(inside / length, 0.0, 1.0)
    return share
