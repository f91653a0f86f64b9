"""Whether transfers rose and fell together under a ceiling that moves; statistics only, below-plan tells it.

What a satellite or cellular link gives wanders by some ten per cent within minutes, so nothing stands at a level.
Then the sum does not give the ceiling away, but the transfers do. If n(t) of them share a ceiling C(t), each gets
C(t)/n(t): who ends leaves its part to the others at once, and when the line gives less all get less. So what the
others get on average, at any time, foretells what one gets:

    octets of a record = integral over its own time of the mean rate of the other transfers

up to a factor that a transfer keeps (a longer way gets a smaller part). For every record of a transfer the quotient
of both sides is taken, and the same of its plain rate; each as a logarithm, less the transfer's own mean. `moved` is
the standard deviation of the rates, `left` that of the quotients, and

    common = 1 - left^2 / moved^2

is near 1 where all follow one ceiling. Of m transfers that know nothing of each other the quotient varies by
m/(m-1) times the variance of the rate, since the others' mean adds its own, so that common is below 0. One's own
octets are left out of the foretelling: with them in, two independent transfers would explain half of each other.

(Analysis of variance with the left-out mean as the predictor: any textbook; its use here is our own, no source.)
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.diagnoser.signals.conversations import conversation_keys
from flowdiag.diagnoser.signals.timeline import Grid

# The others' rates are needed within records, so finer than those are.
STEP_MS: Final = 5_000
# Records shorter than this say little of a rate (stamps of whole seconds are common).
LEAST_RECORD_MS: Final = 5_000
LEAST_RECORDS: Final = 2
# The largest transfers are compared; more of them show nothing new.
MOST_TRANSFERS: Final = 40
LEAST_TRANSFERS: Final = 3


class Together(Struct, frozen=True):
    """How much transfers moved together; deviations are relative standard deviations."""

    common: float  # part of the movement that all share, under 1
    moved: float  # deviation of a transfer's rates
    uneven: float  # deviation of the transfers' parts
    transfers: int  # compared
    hosts: int  # inside addresses
    destinations: int  # outside addresses


def together(flows: SiteFlows, rows: NDArray[np.intp], start_ms: int, end_ms: int) -> Together | None:
    """How much the transfers among the rows (one link direction, data only) moved together from start_ms to end_ms.

    None for fewer than three transfers that have two records of some length in that time.
    """
    length = flows.end_ms[rows] - flows.start_ms[rows]
    usable = (length >= LEAST_RECORD_MS) & (flows.start_ms[rows] >= start_ms) & (flows.end_ms[rows] <= end_ms)
    keys = conversation_keys(flows, rows)
    unique, records = np.unique(keys[usable], return_counts=True)
    several = np.isin(keys, unique[records >= LEAST_RECORDS])
    unique, first, which = np.unique(keys[several], return_index=True, return_inverse=True)
    if len(unique) < LEAST_TRANSFERS:
        return None
    rows, usable = rows[several], usable[several]
    octets = np.bincount(which, flows.wire_octets[rows])
    largest = np.sort(np.argsort(-octets, kind="stable")[:MOST_TRANSFERS])
    grid = Grid(start_ms, STEP_MS, -((start_ms - end_ms) // STEP_MS))
    rates = np.stack([_spread(flows, rows[which == one], grid) for one in largest])
    running = (rates > 0.0).sum(axis=0)
    gathered = [
        _quotients(flows, rows[(which == one) & usable], grid, rates.sum(axis=0) - rates[index], running - (rates[index] > 0.0))
        for index, one in enumerate(largest)
    ]  # fmt: skip
    kept = [(index, *found) for index, found in enumerate(gathered) if len(found[0]) >= LEAST_RECORDS]
    if len(kept) < LEAST_TRANSFERS:
        return None
    compared = largest[[index for index, *_ in kept]]
    moved, left, parts = _deviations([(rate, quotient, weight) for _, rate, quotient, weight in kept])
    return Together(
        common=1.0 - (left / moved) ** 2 if moved > 0.0 else 0.0,
        moved=moved,
        uneven=float(np.std(parts)),
        transfers=len(compared),
        hosts=len(np.unique(flows.inside[rows][first[compared]])),
        destinations=len(np.unique(flows.outside[rows][first[compared]])),
    )


def _spread(flows: SiteFlows, rows: NDArray[np.intp], grid: Grid) -> NDArray[np.float64]:
    return grid.spread(flows.start_ms[rows], flows.end_ms[rows], flows.wire_octets[rows])


def _quotients(
    flows: SiteFlows,
    rows: NDArray[np.intp],
    grid: Grid,
    others: NDArray[np.float64],
    running: NDArray[np.int64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Logarithms of rate and of quotient, and octets, of the records of one transfer beside which others ran.

    others, running: octets of the others and their number in each bin.
    """
    mean = np.divide(others, running, out=np.zeros(grid.bins), where=running > 0)
    edges = grid.start_ms + grid.step_ms * np.arange(grid.bins + 1)
    start, end, octets = flows.start_ms[rows], flows.end_ms[rows], flows.wire_octets[rows]

    def within(values: NDArray[Any]) -> NDArray[np.float64]:
        running_sum = np.concatenate([[0.0], np.cumsum(values)])
        return np.asarray(np.interp(end, edges, running_sum) - np.interp(start, edges, running_sum))

    foretold = within(mean)
    # Where nobody else ran for a part of the record, there is nothing to foretell it by.
    compared = (foretold > 0.0) & (octets > 0.0)
    compared &= within((running > 0) * float(grid.step_ms)) >= 0.99 * (end - start)
    octets, foretold, length = octets[compared], foretold[compared], (end - start)[compared]
    return np.log(octets / length), np.log(octets / foretold), octets


def _deviations(
    records: list[tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]],
) -> tuple[float, float, list[float]]:
    """Standard deviations of rate and quotient about each transfer's mean, by octets; and each one's mean quotient."""
    rate_squares = quotient_squares = octets = 0.0
    parts = []
    for rate, quotient, weight in records:
        middle = float(np.average(quotient, weights=weight))
        parts.append(middle)
        octets += float(weight.sum())
        rate_squares += float((weight * (rate - np.average(rate, weights=weight)) ** 2).sum())
        quotient_squares += float((weight * (quotient - middle) ** 2).sum())
    return float(np.sqrt(rate_squares / octets)), float(np.sqrt(quotient_squares / octets)), parts
