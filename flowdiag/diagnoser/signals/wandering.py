"""Times at which transfers shared a ceiling that wanders, on links whose rate is only typical.

Shared by below-plan, which takes the long ones, and held_levels.py, which takes the rest; alleges nothing itself. A
time counts while three transfers or more run side by side and the link carries between 3% and the
below_plan_variable part of its typical rate, on average over a minute. Within it the transfers' rates must have
moved, half of their movement must be one that all share, and their parts must be alike (see moving_ceiling.py).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import SiteFlows, select
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.episodes import capacity_mbps
from flowdiag.diagnoser.signals.flat_top import in_data_packets
from flowdiag.diagnoser.signals.moving_ceiling import LEAST_TRANSFERS, Together, together
from flowdiag.diagnoser.signals.sustained import bridged
from flowdiag.diagnoser.signals.timeline import Grid
from flowdiag.durations import MINUTE_MS

STEP_MS: Final = 5_000
LEAST_SHARE: Final = 0.03
# What takes less of the link than this does not compete for it.
LEAST_PART: Final = 0.01
# Records shorter than this are no transfers whose rate could be followed.
LEAST_RECORD_MS: Final = 5_000
LEAST_MS: Final = 2 * MINUTE_MS
# Shorter pauses of demand, and shorter times over the bound, do not end a time: the ceiling wanders over it.
PAUSE_MS: Final = 2 * MINUTE_MS
# Half of the movement shared: independent transfers show less than nothing (measured on invented sites, no source).
LEAST_COMMON: Final = 0.5
# Stamps of whole seconds alone move the rates of records of a minute by two hundredths.
LEAST_MOVED: Final = 0.04
# Logarithms of the parts: transfers whose ways differ in length get unequal parts, but of one size.
MOST_UNEVEN: Final = 0.7


class Wandering(Struct, frozen=True):
    """One link direction from start_ms to end_ms (whole steps of 5 s); rate_mbps: mean of the transfers' sum."""

    link: int
    direction: int
    start_ms: int
    end_ms: int
    rate_mbps: float
    proof: Together


@once_per_case
def wandering(case: Case) -> tuple[Wandering, ...]:
    """In order of link, direction, time; the whole export is looked at."""
    if not case.coverage.links_apart:
        return ()
    return tuple(
        found
        for link, plan in enumerate(case.profile.link)
        if plan.variable
        for direction in (0, 1)
        for found in _of(case, link, direction)
    )


def _of(case: Case, link: int, direction: int) -> list[Wandering]:
    rows = _transfers(case, link, direction)
    if len(rows) < LEAST_TRANSFERS:
        return []
    flows, capacity = case.flows, capacity_mbps(case, link, direction)
    begin = int(flows.start_ms[rows].min()) // STEP_MS * STEP_MS
    grid = Grid(begin, STEP_MS, (int(flows.end_ms[rows].max()) - begin) // STEP_MS + 1)
    rate = grid.spread(flows.start_ms[rows], flows.end_ms[rows], flows.wire_octets[rows]) * (
        8 / STEP_MS / 1000
    )
    side_by_side = grid.covering(flows.start_ms[rows], flows.end_ms[rows] - 1) >= LEAST_TRANSFERS
    share = _smooth(rate, MINUTE_MS // STEP_MS) / capacity
    low = (share >= LEAST_SHARE) & (share <= case.profile.thresholds.below_plan_variable) & side_by_side
    found = []
    for first, stop in bridged(low, PAUSE_MS // STEP_MS):
        if (stop - first) * STEP_MS < LEAST_MS:
            continue
        level = float(rate[first:stop].mean())
        start, end = grid.time_of(first), grid.time_of(stop)
        near = rows[(flows.start_ms[rows] < end) & (flows.end_ms[rows] > start)]
        proof = together(flows, near, start, end)
        if (
            proof is not None
            and level <= case.profile.thresholds.below_plan_variable * capacity
            and _is_one(proof)
        ):
            found.append(Wandering(link, direction, start, end, level, proof))
    return found


def _transfers(case: Case, link: int, direction: int) -> NDArray[np.intp]:
    """Rows of some length and rate, in packets of data."""
    least = LEAST_PART * capacity_mbps(case, link, direction) * 125.0  # octets a millisecond

    def carry(chunk: SiteFlows) -> NDArray[np.bool_]:
        on_link: NDArray[np.bool_] = (chunk.link == link) & (chunk.direction == direction)
        length = chunk.end_ms - chunk.start_ms
        return on_link & (length >= LEAST_RECORD_MS) & (chunk.wire_octets >= least * length)

    rows = np.flatnonzero(select(case.flows, carry))
    return rows[in_data_packets(case.flows, rows)]


def _smooth(rate: NDArray[np.float64], bins: int) -> NDArray[np.float64]:
    """The mean over so many bins around each."""
    total = np.concatenate([[0.0], np.cumsum(rate)])
    middle = np.arange(len(rate))
    first, stop = np.maximum(middle - bins // 2, 0), np.minimum(middle + bins - bins // 2, len(rate))
    mean: NDArray[np.float64] = (total[stop] - total[first]) / (stop - first)
    return mean


def _is_one(proof: Together) -> bool:
    return proof.common >= LEAST_COMMON and proof.moved >= LEAST_MOVED and proof.uneven <= MOST_UNEVEN
