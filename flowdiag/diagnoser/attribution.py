"""Who and what filled a link direction in an episode: each record counts by the part of its octets that
fell in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.steps import steps
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.failovers import part_within
from flowdiag.diagnoser.shares import largest


def rows_within(
    case: Case, link: int, direction: int, spans: Sequence[tuple[int, int]]
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Rows of a link direction that touch any of the spans (ms), and the IP octets of each inside them."""
    found = list(_within(case, link, direction, spans, steps(len(case.flows))))
    return np.concatenate([rows for rows, _ in found]), np.concatenate([octets for _, octets in found])


def attribution(
    case: Case, link: int, direction: int, spans: Sequence[tuple[int, int]]
) -> dict[str, list[dict[str, Any]]]:
    """hosts, applications, destinations of a link direction in the spans, with their shares of its octets."""
    flows, size = case.flows, len(case.flows.addresses)
    hosts, applications, destinations = np.zeros(size), np.zeros(len(flows.applications)), np.zeros(size)
    for rows, octets in _within(case, link, direction, spans, steps(len(flows), cells=size)):
        for sums, keys in (
            (hosts, flows.inside),
            (applications, flows.application),
            (destinations, flows.outside),
        ):
            sums += np.bincount(keys[rows], octets, len(sums))
    return largest(case, hosts, applications, destinations)


def _within(
    case: Case, link: int, direction: int, spans: Sequence[tuple[int, int]], places: Iterable[slice]
) -> Iterator[tuple[NDArray[np.intp], NDArray[np.float64]]]:
    """rows_within() of one place of the flows after another."""
    flows = case.flows
    for place in places:
        start, end = flows.start_ms[place], flows.end_ms[place]
        mine = (flows.link[place] == link) & (flows.direction[place] == direction)
        rows = place.start + np.flatnonzero(mine & (start < spans[-1][1]) & (end >= spans[0][0]))
        part = np.zeros(len(rows))
        for begin, stop in spans:
            part += part_within(flows, rows, begin, stop)
        touching = part > 0.0
        rows = rows[touching]
        yield rows, flows.octets[rows] * part[touching]
