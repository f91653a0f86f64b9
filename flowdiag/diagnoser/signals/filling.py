"""Whether chosen records are what fills a link."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.timeline import Grid, runs

# The larger half of what the link carries in its full minutes.
MAIN_PART: Final = 0.5
# So long at a stretch; where less is looked at, half of that, a minute at least.
SUSTAINED_MS: Final = 180_000
LEAST_MS: Final = 60_000
PART: Final = 0.5


def fills_link(case: Case, link: int, direction: int, rows: NDArray[np.intp]) -> bool:
    """Whether a link direction was full for three minutes in a row, or half of a shorter time looked at, mainly by
    these rows.
    """
    usage, flows = case.usage, case.flows
    plan = case.profile.link[link]
    capacity = (plan.down_mbps, plan.up_mbps)[direction]
    full = usage.mbps(link, direction) >= case.profile.thresholds.full * capacity
    grid = Grid(usage.start_ms, usage.window_ms, usage.windows)
    rows = rows[(flows.link[rows] == link) & (flows.direction[rows] == direction)]
    theirs = grid.spread(flows.start_ms[rows], flows.end_ms[rows], flows.wire_octets[rows])
    mainly = theirs >= MAIN_PART * usage.wire_octets[link, direction]
    begin, end = case.window_ms
    least_ms = min(SUSTAINED_MS, max(LEAST_MS, PART * (end - begin)))
    return any((stop - first) * usage.window_ms >= least_ms for first, stop in runs(full & mainly))
