"""Transfers that divide a flat level equally from its begin to its end: streams of one kind, or a line under its plan.

Without give and take the two cannot be told apart, so below-plan is not alleged; not-the-link says the doubt.
They are looked at a little beyond the level: transfers that outlast it, at the same rate, know no ceiling.
"""

from __future__ import annotations

from typing import Final

from msgspec import Struct

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.attribution import rows_within
from flowdiag.diagnoser.signals.fair_shares import FairShares, fair_shares
from flowdiag.diagnoser.signals.flat_top import Level, in_data_packets
from flowdiag.diagnoser.signals.low_levels import (
    COARSE_S,
    LONG,
    NEIGHBOURS,
    VERY_FLAT,
    candidates,
    minutes_of,
)
from flowdiag.durations import MINUTE_MS

# UDP streams go at their own rate by nature.
TCP: Final = 6
# Relative deviation of the transfers' rates, and of how many run at a time.
EQUAL: Final = 0.05
LEAST_TRANSFERS: Final = 4
LEAST_SIDES: Final = 4
LARGEST_PART: Final = 0.5
# So many minutes around the level's edges are its begin and its end.
EDGE_MINUTES: Final = 2


class EvenTransfers(Struct, frozen=True):
    """rate_mbps: the level of one link direction that `transfers` of them divided, from start_ms to end_ms."""

    link: int
    direction: int
    rate_mbps: float
    transfers: int
    start_ms: int
    end_ms: int


def even_transfers(case: Case) -> list[EvenTransfers]:
    """Those that touch the time looked at, in order of link, direction, time."""
    if not case.coverage.links_apart or case.coverage.resolution_s >= COARSE_S:
        return []
    begin, end = case.window_ms
    found = [
        even
        for link in range(len(case.profile.link))
        for direction in (0, 1)
        for level in candidates(case, link, direction)
        if (even := _even(case, link, direction, level)) is not None
    ]
    return [even for even in found if even.start_ms < end and even.end_ms > begin]


def _even(case: Case, link: int, direction: int, level: Level) -> EvenTransfers | None:
    if minutes_of(case, level) < LONG or level.flatness > VERY_FLAT:
        return None
    flows, usage = case.flows, case.usage
    start, end = (usage.start_ms + usage.window_ms * window for window in (level.first, level.stop))
    margin = NEIGHBOURS * MINUTE_MS
    rows, _ = rows_within(case, link, direction, [(start - margin, end + margin)])
    shares = fair_shares(flows, rows[(flows.protocol[rows] == TCP) & in_data_packets(flows, rows)])
    edge = max(EDGE_MINUTES * MINUTE_MS, usage.window_ms)
    if (
        shares is None
        or not _is_equal(shares)
        or max(abs(shares.start_ms - start), abs(shares.end_ms - end)) > edge
    ):
        return None
    return EvenTransfers(link, direction, level.rate, shares.transfers, start, end)


def _is_equal(shares: FairShares) -> bool:
    return (
        max(shares.own_pace, shares.crowding) <= EQUAL
        and shares.transfers >= LEAST_TRANSFERS
        and min(shares.hosts, shares.destinations) >= LEAST_SIDES
        and shares.largest <= LARGEST_PART
    )
