"""When an episode of whole minutes began and ended, by the records' own times.

A transfer that fills a link from 14:00:40 to 14:04:40 makes three full minutes and two that are full in part. Its records
tell the seconds: where the rate of the minute beside is over the threshold right up to the episode's edge, that belongs to
it; where the outermost minute begins or ends far under the threshold, that part does not. Records longer than a minute
blur their edges, so there the minutes stand.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import SiteFlows, select
from flowdiag.aggregator.usage import Usage
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.sustained import Run
from flowdiag.diagnoser.signals.timeline import Grid
from flowdiag.durations import MINUTE_MS

STEP_MS: Final = 5_000
# Of the threshold: a part of the outermost minute under that does not belong to the episode.
FAR_UNDER: Final = 0.5
# More episodes than that nobody reads to the second.
MOST: Final = 12


def refined(
    case: Case, usage: Usage, link: int, direction: int, found: list[Run], threshold: float, width: int
) -> list[tuple[int, int]]:
    """[start, end) in ms of each run of windows. threshold: part of the plan; width: windows that were averaged."""
    times = [usage.times(first, stop) for first, stop in found]
    coarse = usage.window_ms < MINUTE_MS or width > 1 or case.coverage.resolution_s * 1000 > usage.window_ms
    if coarse or len(found) > MOST:
        return times
    plan = case.profile.link[link]
    least = threshold * (plan.up_mbps if direction else plan.down_mbps)
    edges = [edge for pair in times for edge in pair]

    def near(chunk: SiteFlows) -> NDArray[np.bool_]:
        on_link: NDArray[np.bool_] = (chunk.link == link) & (chunk.direction == direction)
        touching = np.zeros(len(chunk), np.bool_)
        for edge in edges:
            touching |= (chunk.start_ms < edge + usage.window_ms) & (chunk.end_ms >= edge - usage.window_ms)
        return on_link & touching

    flows = case.flows
    rows = np.flatnonzero(select(flows, near))
    start, end, octets = flows.start_ms[rows], flows.end_ms[rows], flows.wire_octets[rows]
    moved = []
    for begin, until in times:
        first, last = (
            Grid(edge - usage.window_ms, STEP_MS, 2 * usage.window_ms // STEP_MS) for edge in (begin, until)
        )
        rising = first.spread(start, end, octets) * (8.0 / STEP_MS / 1000.0)
        falling = last.spread(start, end, octets) * (8.0 / STEP_MS / 1000.0)
        moved.append(
            (begin - _reach(rising[::-1], least) * STEP_MS, until + _reach(falling, least) * STEP_MS)
        )
    return [
        (max(begin, moved[index - 1][1]) if index else begin, until)
        for index, (begin, until) in enumerate(moved)
    ]


def _reach(rate: NDArray[np.float64], least: float) -> int:
    """Steps by which an edge moves outwards, negative for inwards. rate: of one window inside and one outside the edge,
    in this order.
    """
    middle = len(rate) // 2
    beyond = rate[middle:]
    # Single steps under the threshold do not end it, as long as the mean up to the edge stays over it.
    upto = np.cumsum(beyond) / np.arange(1, len(beyond) + 1)
    reached = np.flatnonzero((beyond >= least) & (upto >= least))
    out = int(reached[-1]) + 1 if len(reached) and rate[middle] >= FAR_UNDER * least else 0
    if out:
        return out if rate[middle - 1] >= least else 0
    back = 0
    while back < middle and rate[middle - 1 - back] < FAR_UNDER * least:
        back += 1
    return -back if back < middle else 0
