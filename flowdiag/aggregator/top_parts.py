"""Flows of a ranking as partials: what of each flow falls in the window, or in each of several windows."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from flowdiag.aggregator.partials import MAX_KEYS, Measure, Partial, aggregate
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.spread import WindowGrid
from flowdiag.aggregator.top_keys import Keys
from flowdiag.buffers import column

MOST_ROWS: Final = 250_000  # of a chunk, when each flow stands once for every window that it touches
STEP: Final = "step"  # key column of the windows: the start of each, in ms


def partials(
    flows: SiteFlows, window_ms: tuple[int, int], keys: Keys, by: Measure, grid: WindowGrid | None = None
) -> Iterator[Partial]:
    """What of some flows, all of which touch the window, lies in it, by key; with a grid by key and window of it."""
    begin, end = window_ms
    if grid is None:
        yield _partial(flows, np.int64(begin), np.int64(end), keys.columns_of(flows), by)
        return
    for part, start in _in_windows(flows, window_ms, grid):
        columns = {**keys.columns_of(part), STEP: column(start)}
        yield _partial(part, np.maximum(start, begin), np.minimum(start + grid.window_ms, end), columns, by)


def _partial(
    flows: SiteFlows,
    begin: NDArray[np.int64] | np.int64,
    end: NDArray[np.int64] | np.int64,
    keys: dict[str, pa.Array],
    by: Measure,
) -> Partial:
    """What of each flow lies in its window [begin, end), by key."""
    start, stop, part = flows.start_ms, flows.end_ms, None
    if ((start < begin) | (stop > end)).any():
        duration = stop - start
        start, stop = np.maximum(start, begin), np.minimum(stop, end)
        part = np.where(duration > 0, np.maximum(stop - start, 0) / np.maximum(duration, 1), 1.0)
    return aggregate(
        keys,
        by,
        octets=flows.octets,
        wire_octets=flows.wire_octets,
        packets=flows.packets,
        first_ms=start,
        last_ms=stop,
        part=part,
        max_keys=MAX_KEYS,
    )


def _in_windows(
    flows: SiteFlows, window_ms: tuple[int, int], grid: WindowGrid
) -> Iterator[tuple[SiteFlows, NDArray[np.int64]]]:
    """Flows, each once for every window of the grid that it touches, with the start of that window."""
    begin, end = window_ms
    start = np.maximum(flows.start_ms, begin) - grid.start_ms
    stop = np.minimum(flows.end_ms, end) - grid.start_ms
    first = start // grid.window_ms
    times = np.maximum(stop - 1, start) // grid.window_ms - first + 1
    offset = 0
    while offset < len(flows):  # as many flows at a time as make about a chunk
        ends = np.cumsum(times[offset:])
        count = max(int(np.searchsorted(ends, MOST_ROWS, "right")), 1)
        here = times[offset : offset + count]
        rows = np.repeat(np.arange(offset, offset + count), here)
        nth = np.arange(len(rows)) - np.repeat(ends[:count] - here, here)
        yield flows.at(rows), grid.start_ms + (first[rows] + nth) * grid.window_ms
        offset += count
