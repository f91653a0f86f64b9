"""The figures of each link and direction over a window: mean, 95th percentile, peak, busy and full minutes."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.figures import DirectionFigures, LinkFigures
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.spread import overlap_share
from flowdiag.aggregator.usage import Usage
from flowdiag.site.profile import Profile

FIVE_MINUTES_MS: Final = 300_000  # transit billing's window (common practice)


def nearest_rank(values: NDArray[np.float64], percent: float) -> float:
    """Nearest-rank percentile: the smallest value that at least `percent` of the values do not exceed."""
    if not len(values):
        return 0.0
    rank = max(int(np.ceil(len(values) * percent / 100.0 - 1e-9)), 1)
    return float(np.sort(values)[rank - 1])


def link_figures(
    usage: Usage, flows: SiteFlows, profile: Profile, window_ms: tuple[int, int]
) -> tuple[LinkFigures, ...]:
    """Figures of the window [from, to), ms. A window at the edge counts if at least half of it is inside."""
    share = overlap_share(flows.start_ms, flows.end_ms, *window_ms)
    out = []
    for number, link in enumerate(profile.link):
        rows = flows.link == number
        both = []
        for direction, capacity in enumerate((link.down_mbps, link.up_mbps)):
            mine = rows & (flows.direction == direction) & (share > 0)
            octets = float((flows.octets[mine] * share[mine]).sum())
            wire = float((flows.wire_octets[mine] * share[mine]).sum())
            minutes = _rates(usage, usage.wire_octets[number, direction], window_ms, usage.window_ms)
            fives = _rates(usage, usage.wire_octets[number, direction], window_ms, FIVE_MINUTES_MS)
            scale = usage.window_ms / 60_000
            both.append(
                DirectionFigures(
                    capacity,
                    wire * 8 / 1000 / max(window_ms[1] - window_ms[0], 1),
                    nearest_rank(fives, 95),
                    float(minutes.max(initial=0.0)),
                    round(octets),
                    round(int((minutes >= profile.thresholds.busy * capacity).sum()) * scale),
                    round(int((minutes >= profile.thresholds.full * capacity).sum()) * scale),
                )
            )
        out.append(LinkFigures(link.name, link.role, both[0], both[1]))
    return tuple(out)


def _rates(
    usage: Usage, octets: NDArray[np.float64], window_ms: tuple[int, int], step_ms: int
) -> NDArray[np.float64]:
    """Mbit/s of each step of the grid that lies at least half inside the window, over the part inside."""
    if not usage.windows:
        return np.zeros(0)
    starts = usage.start_ms + np.arange(usage.windows, dtype=np.int64) * usage.window_ms
    bins = starts // step_ms
    first = int(bins[0])
    sums = np.bincount(bins - first, octets)
    edges = (first + np.arange(len(sums), dtype=np.int64)) * step_ms
    inside = np.minimum(edges + step_ms, window_ms[1]) - np.maximum(edges, window_ms[0])
    judged = inside * 2 >= step_ms
    if not judged.any():
        judged = inside > 0
    rates: NDArray[np.float64] = sums[judged] * 8 / 1000 / np.maximum(inside[judged], 1)
    return rates
