"""Whether transfers divided one ceiling between them, told from their own lengths; for records too long for
minutes.

Where one record covers many minutes, even spreading hides how transfers gave way to each other. But their
times and octets still tell. If n(t) transfers share a ceiling C evenly, each gets C/n(t), and a transfer
that ran from s to e got

    octets = C x (V(e) - V(s)),  V(t) = integral of dt / n(t)

so that octets / (V(e) - V(s)) is the same C for all of them, however their rates differ (processor sharing,
a model of queueing theory: any textbook; its use here is our own, no source). Transfers that go at their
own pace have nothing to do with n(t), and the quotient varies by as much as n(t) does.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.diagnoser.signals.conversations import conversation_keys
from flowdiag.diagnoser.signals.timeline import Grid

STEP_MS: Final = 10_000
# Transfers with less than this part of all octets do not compete, unless it takes smaller ones to make most of them.
LEAST_PART: Final = 0.005
MOST_OF_ALL: Final = 0.75


class FairShares(Struct, frozen=True):
    """A ceiling that transfers divided; deviations are relative standard deviations over the transfers."""

    ceiling: float  # wire octets a second
    uneven: float  # deviation of the quotient
    own_pace: float  # deviation of the transfers' plain rates
    crowding: float  # deviation of n
    transfers: int
    hosts: int  # inside addresses
    destinations: int  # outside addresses
    largest: float  # part of the octets that the largest host or destination had
    start_ms: int  # of the first transfer
    end_ms: int  # of the last transfer


def fair_shares(flows: SiteFlows, rows: NDArray[np.intp]) -> FairShares | None:
    """How evenly the large transfers among the rows (one link direction) divided a ceiling; None for too few."""
    keys = conversation_keys(flows, rows)
    unique, first, inverse = np.unique(keys, return_index=True, return_inverse=True)
    octets = np.bincount(inverse, flows.wire_octets[rows], len(unique))
    large = octets >= min(LEAST_PART * octets.sum(), _smallest_of_most(octets))
    if large.sum() < 2:
        return None
    start = np.full(len(unique), np.iinfo(np.int64).max)
    end = np.full(len(unique), np.iinfo(np.int64).min)
    np.minimum.at(start, inverse, flows.start_ms[rows])
    np.maximum.at(end, inverse, flows.end_ms[rows])
    start, end, octets = start[large], np.maximum(end, start + 1)[large], octets[large]
    grid = Grid(int(start.min()), STEP_MS, int((end.max() - start.min()) // STEP_MS) + 2)
    together = np.maximum(grid.covering(start, end), 1)
    edges = grid.start_ms + STEP_MS * np.arange(grid.bins + 1)
    virtual = np.concatenate([[0.0], np.cumsum(STEP_MS / together)])
    share_ms = np.interp(end, edges, virtual) - np.interp(start, edges, virtual)
    ceiling = octets / share_ms * 1000.0
    rate = octets / (end - start) * 1000.0
    crowd = (end - start) / share_ms
    inside, outside = (side[rows][first][large] for side in (flows.inside, flows.outside))
    largest = max(float(np.bincount(side, octets).max() / octets.sum()) for side in (inside, outside))
    return FairShares(
        ceiling=float(octets.sum() / share_ms.sum() * 1000.0),
        uneven=_deviation(ceiling, octets),
        own_pace=_deviation(rate, octets),
        crowding=_deviation(crowd, octets),
        transfers=len(octets),
        hosts=len(np.unique(inside)),
        destinations=len(np.unique(outside)),
        largest=largest,
        start_ms=int(start.min()),
        end_ms=int(end.max()),
    )


def _smallest_of_most(octets: NDArray[Any]) -> float:
    """The octets of the smallest of the fewest transfers that together have most of all."""
    descending = np.sort(octets)[::-1]
    together = np.cumsum(descending)
    return float(descending[np.searchsorted(together, MOST_OF_ALL * together[-1])]) if len(octets) else 0.0


def _deviation(values: NDArray[np.float64], weights: NDArray[np.float64]) -> float:
    """Weighted standard deviation over the weighted mean."""
    mean = float(np.average(values, weights=weights))
    return float(np.sqrt(np.average((values - mean) ** 2, weights=weights)) / mean)
