"""Who and what filled a link direction in an episode: each record counts by the part of its octets that
fell in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.chunks import chunked_sum, chunks
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.failovers import part_within
from flowdiag.diagnoser.signals.shares import largest


def rows_within(
    case: Case, link: int, direction: int, spans: Sequence[tuple[int, int]]
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Rows of a link direction that touch any of the spans (ms), and the IP octets of each inside them."""
    found = [_within(case, link, direction, spans, step) for step in chunks(len(case.flows))]
    return np.concatenate([rows for rows, _ in found]), np.concatenate([octets for _, octets in found])


def attribution(case: Case, link: int, direction: int, spans: Sequence[tuple[int, int]]) -> dict[str, Any]:
    """hosts, applications, destinations of a link direction in the spans, with their shares of its octets."""
    flows, size = case.flows, len(case.flows.addresses)
    kinds = ((flows.inside, size), (flows.application, len(flows.applications)), (flows.outside, size))

    def sums(step: slice) -> NDArray[np.float64]:
        rows, octets = _within(case, link, direction, spans, step)
        return np.concatenate([np.bincount(keys[rows], octets, cells) for keys, cells in kinds])

    ends = np.cumsum([cells for _, cells in kinds])
    hosts, applications, destinations, _ = np.split(chunked_sum(sums, len(flows), cells=size), ends)
    return largest(case, hosts, applications, destinations)


def _within(
    case: Case, link: int, direction: int, spans: Sequence[tuple[int, int]], step: slice
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """rows_within() of a step of the flows."""
    flows = case.flows
    start, end = flows.start_ms[step], flows.end_ms[step]
    on_link = (flows.link[step] == link) & (flows.direction[step] == direction)
    rows = step.start + np.flatnonzero(on_link & (start < spans[-1][1]) & (end >= spans[0][0]))
    part = np.zeros(len(rows))
    for begin, stop in spans:
        part += part_within(flows, rows, begin, stop)
    touching = part > 0.0
    rows = rows[touching]
    return rows, flows.octets[rows] * part[touching]
