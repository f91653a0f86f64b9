"""Octets of flows, spread evenly over each flow's own time into windows.

The model: a flow of v octets from start to end sent them at a constant rate v / (end - start); one without
duration sent them in the window of its start. No source beyond arithmetic: a record tells no more.

How it is computed, without a step per window of a flow:
- what falls in a flow's first and in its last window is added there;
- the windows in between all get the same, so a difference array takes it where they begin and gives it back
  behind them, and one running sum spreads it;
- running sums of floating-point numbers leave residue where nothing flowed. So the share of a middle window is
  split in two parts, each rounded down to a multiple of a quantum so coarse that every sum of such parts is exact in
  53 bits: the second takes what the first one's rounding left. What that leaves in turn is a part in 10^25 of the
  whole or less, and stays in the flow's first window. Windows that no flow touches are then exactly zero, those of
  small flows beside enormous ones are right, and nothing is ever lost.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.chunks import chunks

_EXACT_BITS: Final = 52  # one less than a double's significand: sums and differences of shares stay exact


class WindowGrid(Struct, frozen=True):
    """Windows [start_ms + i * window_ms, start_ms + (i + 1) * window_ms) for i < windows.

    cut_ms: where the last window ends, if that is before its time.
    """

    start_ms: int
    window_ms: int
    windows: int
    cut_ms: int | None = None

    @classmethod
    def covering(cls, first_ms: int, last_ms: int, window_ms: int) -> WindowGrid:
        """The windows on whole multiples of window_ms since 1970 that hold [first_ms, last_ms], at least one."""
        start = first_ms // window_ms
        return cls(start * window_ms, window_ms, max(-(-last_ms // window_ms) - start, 1))

    @property
    def end_ms(self) -> int:
        whole = self.start_ms + self.windows * self.window_ms
        return whole if self.cut_ms is None else self.cut_ms

    def edges(self) -> NDArray[np.int64]:
        """Start of each window and the end of the last, in ms. Shape [windows + 1]."""
        edges = self.start_ms + self.window_ms * np.arange(self.windows + 1, dtype=np.int64)
        edges[-1] = self.end_ms
        return edges


def part_inside(
    start_ms: NDArray[np.int64], end_ms: NDArray[np.int64], from_ms: int, to_ms: int
) -> NDArray[np.float64]:
    """The part of each flow's time that lies in [from_ms, to_ms), 0 to 1; shape [n].

    A flow without duration is inside with all or nothing.
    """
    if not len(start_ms) or (start_ms.min() >= from_ms and end_ms.max() <= to_ms):
        return (start_ms < to_ms).astype(np.float64)
    overlap = np.minimum(end_ms, to_ms) - np.maximum(start_ms, from_ms)
    duration = end_ms - start_ms
    part: NDArray[np.float64] = np.maximum(overlap, 0) / np.maximum(duration, 1)
    instant = duration <= 0
    if instant.any():
        part[instant] = (start_ms[instant] >= from_ms) & (start_ms[instant] < to_ms)
    return part


def spread(
    start_ms: NDArray[np.int64],
    end_ms: NDArray[np.int64],
    values: Sequence[NDArray[np.float64]],
    grid: WindowGrid,
    series: NDArray[np.integer] | None = None,
    series_count: int = 1,
) -> NDArray[np.float64]:
    """Values of flows per window; shape [len(values), series_count, windows].

    start_ms, end_ms: int64 [n]; values: columns [n] to spread, none negative; series: which series each flow
    belongs to, [n], below 0 for none. Only the part of a flow that lies in the grid counts. Summed over the
    windows the result equals the sum of the values inside the grid.
    """
    cells = series_count * grid.windows
    ends = np.zeros((len(values), cells))  # what falls in first and last windows
    # Changes of what flows through whole windows, in two parts.
    changes = np.zeros((len(values), 2, cells + series_count))
    quanta = [_two_quanta(column) for column in values]
    crossing_any = False
    for rows in chunks(len(start_ms)):
        start, end = start_ms[rows], end_ms[rows]
        columns = [column[rows] for column in values]
        of_series = None if series is None else series[rows]
        start, end, columns, of_series = _clipped(start, end, columns, of_series, grid)
        first = (start - grid.start_ms) // grid.window_ms
        last = np.maximum(end - 1 - grid.start_ms, start - grid.start_ms) // grid.window_ms
        base = 0 if of_series is None else of_series.astype(np.int64) * grid.windows
        crossing = np.flatnonzero(last > first)
        if not len(crossing):
            for number, column in enumerate(columns):
                ends[number] += np.bincount(first + base, column, cells)
            continue
        crossing_any = True
        at_last = (last + base)[crossing]
        until_last = grid.start_ms + last[crossing] * grid.window_ms
        duration = end[crossing] - start[crossing]
        last_part = (end[crossing] - until_last) / duration
        middle_part = grid.window_ms / duration
        between = (last - first)[crossing] - 1
        through = np.flatnonzero(between > 0)
        step_base = (
            0 if of_series is None else of_series[crossing[through]].astype(np.int64) * (grid.windows + 1)
        )
        step_up = first[crossing[through]] + 1 + step_base
        step_down = last[crossing[through]] + step_base
        for number, column in enumerate(columns):
            value = column[crossing]
            in_last = value * last_part
            in_first = value - in_last
            if len(through):
                middle = value[through] * middle_part[through]
                for changing, quantum in zip(changes[number], quanta[number], strict=True):
                    part = np.floor(middle / quantum) * quantum
                    middle -= part
                    in_first[through] -= part * between[through]
                    changing += np.bincount(step_up, part, len(changing))
                    changing -= np.bincount(step_down, part, len(changing))
            in_first_window = column.copy()
            in_first_window[crossing] = np.maximum(in_first, 0.0)
            ends[number] += np.bincount(first + base, in_first_window, cells)
            ends[number] += np.bincount(at_last, in_last, cells)
    result = ends.reshape(len(values), series_count, grid.windows)
    if crossing_any:
        # In place, since over years the changes are most of what is held.
        for total, parts in zip(result, changes.reshape(-1, 2, series_count, grid.windows + 1), strict=True):
            for part in parts:
                np.cumsum(part, axis=1, out=part)
            parts[0] += parts[1]
            total += parts[0, :, :-1]
    return result


def bounds(
    start_ms: NDArray[np.int64],
    end_ms: NDArray[np.int64],
    values: NDArray[np.float64],
    grid: WindowGrid,
    series: NDArray[np.integer] | None = None,
    series_count: int = 1,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The least and the most that each window can have carried, given the flows' times; both [series, windows].

    Least: the flows that lie wholly in the window. Most: all flows that touch it, each as if all of it fell
    there. Arguments as for spread().
    """
    cells = series_count * grid.windows
    lower = np.zeros(cells)
    changes = np.zeros(cells + series_count)
    quantum = _quantum(values)
    for rows in chunks(len(start_ms)):
        start, end, value = start_ms[rows], end_ms[rows], values[rows]
        of_series = np.zeros(len(start), np.int64) if series is None else series[rows].astype(np.int64)
        kept = np.flatnonzero(
            (of_series >= 0) & (start < grid.end_ms) & (np.maximum(end, start + 1) > grid.start_ms)
        )
        start, value, of_series = start[kept], value[kept], of_series[kept]
        end = np.maximum(end[kept], start + 1)
        first = (start - grid.start_ms) // grid.window_ms
        last = (end - 1 - grid.start_ms) // grid.window_ms
        inside = np.flatnonzero((first == last) & (end <= grid.end_ms))
        lower += np.bincount(first[inside] + of_series[inside] * grid.windows, value[inside], cells)
        touching = np.ceil(value / quantum) * quantum
        base = of_series * (grid.windows + 1)
        changes += np.bincount(np.maximum(first, 0) + base, touching, len(changes))
        changes -= np.bincount(np.minimum(last + 1, grid.windows) + base, touching, len(changes))
    upper = np.cumsum(changes.reshape(series_count, grid.windows + 1), axis=1)[:, :-1]
    return lower.reshape(series_count, grid.windows), upper


def touched(start_ms: NDArray[np.int64], end_ms: NDArray[np.int64], grid: WindowGrid) -> NDArray[np.bool_]:
    """Which windows of the grid any flow touches; shape [windows]."""
    changes = np.zeros(grid.windows + 1, np.int64)
    for rows in chunks(len(start_ms)):
        start = start_ms[rows]
        end = np.maximum(end_ms[rows], start + 1)
        kept = (start < grid.end_ms) & (end > grid.start_ms)
        first = np.maximum((start[kept] - grid.start_ms) // grid.window_ms, 0)
        stop = np.minimum((end[kept] - 1 - grid.start_ms) // grid.window_ms + 1, grid.windows)
        changes += np.bincount(first, minlength=len(changes))
        changes -= np.bincount(stop, minlength=len(changes))
    return np.cumsum(changes)[:-1] > 0


def _quantum(values: NDArray[np.float64]) -> float:
    """A power of two so that any sum of multiples of it, up to the sum of all values, is exact in a double."""
    total = float(values.sum()) if len(values) else 0.0
    return _quantum_up_to(max(total, 1.0))


def _quantum_up_to(total: float) -> float:
    return math.ldexp(1.0, math.frexp(total)[1] - _EXACT_BITS)


def _two_quanta(values: NDArray[np.float64]) -> tuple[float, float]:
    """_quantum() of values, and that of as many rests as there are values, each less than the first quantum."""
    quantum = _quantum(values)
    return quantum, _quantum_up_to(quantum * max(len(values), 1))


def _clipped(
    start: NDArray[np.int64],
    end: NDArray[np.int64],
    columns: list[NDArray[np.float64]],
    series: NDArray[np.integer] | None,
    grid: WindowGrid,
) -> tuple[NDArray[np.int64], NDArray[np.int64], list[NDArray[np.float64]], NDArray[np.integer] | None]:
    """Flows cut to the grid, and without those that belong to no series; a flow cut keeps its rate."""
    if not len(start):
        return start, end, columns, series
    if start.min() < grid.start_ms or max(end.max(), start.max() + 1) > grid.end_ms:
        part = part_inside(start, end, grid.start_ms, grid.end_ms)
        columns = [column * part for column in columns]
        kept = np.flatnonzero(part > 0.0)
        start = np.maximum(start, grid.start_ms)[kept]
        end = np.minimum(end, grid.end_ms)[kept]
        columns = [column[kept] for column in columns]
        series = None if series is None else series[kept]
    if series is not None and len(series) and series.min() < 0:
        kept = np.flatnonzero(series >= 0)
        start, end, series = start[kept], end[kept], series[kept]
        columns = [column[kept] for column in columns]
    return start, end, columns, series
