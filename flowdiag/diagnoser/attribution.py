"""Who and what filled a link direction in an episode: each record counts by the part of its octets that
fell in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.failovers import part_within
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.shares import who_what_where


@once_per_case
def rows_by_direction(case: Case) -> dict[tuple[int, int], NDArray[np.intp]]:
    """The rows of each link and direction, so that the whole table is looked through once only."""
    flows = case.flows
    key = flows.link.astype(np.int16) * 2 + flows.direction
    return {
        (link, direction): np.flatnonzero((flows.link >= 0) & (key == link * 2 + direction))
        for link in range(len(case.profile.link))
        for direction in (0, 1)
    }


def rows_within(
    case: Case, link: int, direction: int, spans: Sequence[tuple[int, int]]
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Rows of a link direction that touch any of the spans (ms), and the IP octets of each inside them."""
    flows = case.flows
    rows = rows_by_direction(case)[link, direction]
    start, end = flows.start_ms[rows], flows.end_ms[rows]
    rows = rows[(start < spans[-1][1]) & (end >= spans[0][0])]
    part = np.zeros(len(rows))
    for begin, stop in spans:
        part += part_within(flows, rows, begin, stop)
    touching = part > 0.0
    return rows[touching], flows.octets[rows[touching]] * part[touching]


def attribution(
    case: Case, link: int, direction: int, spans: Sequence[tuple[int, int]]
) -> dict[str, list[dict[str, Any]]]:
    """hosts, applications, destinations of a link direction in the spans, with their shares of its octets."""
    rows, weights = rows_within(case, link, direction, spans)
    return who_what_where(case, rows, weights)
