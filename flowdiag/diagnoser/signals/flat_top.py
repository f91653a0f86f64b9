"""A flat top: whether what a link carried was held down by a common ceiling. Statistics only; below-plan
tells it.

The question is what made a level. Traffic of parts that know nothing of each other (streams at their own
rate, a slow server, a limited backup job) varies as the sum of its parts: var(total) = sum of var(part).
Parts that compete for one ceiling give and take: each varies, the total does not. So the ratio

    yielding = var(total) / sum of var(part)

is about 1 for independent parts and near 0 under a ceiling, whatever their sizes. It is taken over inside
hosts and again over outside addresses: one slow server makes the hosts yield to each other but is a single
outside part, one slow Wi-Fi device likewise a single inside part; only a ceiling common to all passes both.

(The variance of a sum: any textbook; the use here is our own, no source.)
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.diagnoser.signals.conversations import conversation_keys
from flowdiag.diagnoser.signals.failovers import part_within
from flowdiag.diagnoser.signals.timeline import Grid, runs

# From the lowest to the highest tenth of a normal distribution there are so many standard deviations.
DECILES: Final = 2.5631
# The largest parts are looked at one by one, the rest is one more part.
MOST_PARTS: Final = 40
AROUND: Final = 10
SHORTEST: Final = 8
# Records shorter than this say little of a rate; a conversation tells its pace by so many records, and the pace of
# all is known where such conversations make so much of the octets.
PACE_MS: Final = 10_000
PACE_RECORDS: Final = 2
PACE_PART: Final = 0.5
# Larger packets than this, on average, are data, smaller ones acknowledgements or calls (40 and 200 octets).
DATA_PACKET_OCTETS: Final = 400
# How flat a sum is beside its parts where these give way to each other.
RATIO: Final = 0.25
# A variance over few windows is small by chance; so much of the ratio is allowed for each window.
RATIO_A_WINDOW: Final = 0.01
# What independent parts would show at least.
LEAST_SPREAD: Final = 0.06
# A pause of demand: so many windows under the level do not end a flat top.
PAUSE: Final = 2


class Bounds(Struct, frozen=True):
    """What counts as one level.

    depth: how far a window may lie under the highest three-minute mean around it and still be at the top.
    flatness: the most relative standard deviation of its windows. higher: times the level from which traffic
    nearby says that the level was no ceiling.
    """

    depth: float
    flatness: float
    higher: float


STEADY: Final = Bounds(depth=0.12, flatness=0.05, higher=1.10)
# The rate of a variable line wavers by itself.
WAVERING: Final = Bounds(depth=0.30, flatness=0.15, higher=1.35)
# Records of many minutes blur a level: their octets are spread over times that were not alike.
BLURRED: Final = Bounds(depth=0.40, flatness=0.20, higher=1.50)


class Level(Struct, frozen=True):
    """Windows [first, stop) at a level of `rate`; flatness: robust relative standard deviation of its minutes."""

    first: int
    stop: int
    rate: float
    flatness: float


class Yielding(Struct, frozen=True):
    """ratio: var(total) / sum of var(part). spread: sqrt of that sum over the mean, what independent parts
    would show.

    parts: how many parts carry the variation (inverse participation ratio); active: mean number of parts
    with two per cent or more of a window.
    """

    ratio: float
    spread: float
    parts: float
    active: float


def by_minutes(rate: NDArray[np.float64], minute: int) -> NDArray[np.float64]:
    """The mean rate of every `minute` windows, the last of what is left. Shorter windows show the bursts of traffic
    under no ceiling and the sawteeth of traffic under one, so all bounds here are those of minutes.
    """
    if minute == 1 or not len(rate):
        return rate
    begins = np.arange(0, len(rate), minute)
    means: NDArray[np.float64] = np.add.reduceat(rate, begins) / np.diff(np.append(begins, len(rate)))
    return means


def levels(
    rate: NDArray[np.float64], bounds: Bounds, least: float = 0.0, most: float = np.inf
) -> list[Level]:
    """Stretches in which the rate stays at the top of its surroundings. rate: per minute, any unit; least, most: of a level,
    since years of windows may have thousands, and how flat one is takes longest to tell.
    """
    if len(rate) < SHORTEST:
        return []
    smooth = np.convolve(np.pad(rate, 1, mode="edge"), np.full(3, 1.0 / 3.0), "valid")
    around = np.lib.stride_tricks.sliding_window_view(np.pad(smooth, AROUND), 2 * AROUND + 1).max(axis=1)
    top = (rate > 0.0) & (rate >= (1.0 - bounds.depth) * around)
    found: list[Level] = []
    reached = 0
    for first, stop in _bridged(top):
        if stop - first < SHORTEST // 2:
            continue
        level = float(np.median(rate[first:stop]))
        first, stop = _grown(rate, first, stop, level, bounds.depth)
        if stop - first < SHORTEST or first < reached:
            continue
        inner = rate[first + 1 : stop - 1]
        level = float(np.median(inner))
        if level <= 0.0:
            continue
        reached = stop
        if not least <= level <= most:
            continue
        low, high = np.quantile(inner, (0.1, 0.9))
        deviation = float(high - low) / DECILES
        found.append(Level(first, stop, level, deviation / level))
    return found


def _bridged(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for first, stop in runs(mask):
        if joined and first - joined[-1][1] <= PAUSE:
            joined[-1] = (joined[-1][0], stop)
        else:
            joined.append((first, stop))
    return joined


def _grown(rate: NDArray[np.float64], first: int, stop: int, level: float, depth: float) -> tuple[int, int]:
    """Extended on both sides as long as windows stay at the level; higher traffic nearby may have hidden
    them. Looked at one by one: that is never far, and there may be thousands of stretches in years of windows.
    """
    most = depth * level
    while first > 0 and abs(rate[first - 1] - level) <= most:
        first -= 1
    while stop < len(rate) and abs(rate[stop] - level) <= most:
        stop += 1
    return first, stop


def in_data_packets(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which rows are more than acknowledgements, by the mean size of their packets."""
    large: NDArray[np.bool_] = flows.octets[rows] >= DATA_PACKET_OCTETS * flows.packets[rows]
    return large


def yielding(flows: SiteFlows, rows: NDArray[np.intp], part: NDArray[Any], grid: Grid) -> Yielding:
    """How much the parts give way to each other. rows: of one link direction; part: an index per row."""
    begin, end = grid.start_ms, grid.end_ms
    octets = flows.wire_octets[rows] * part_within(flows, rows, begin, end)
    sums = np.bincount(part, octets)
    largest = np.argsort(-sums, kind="stable")[:MOST_PARTS]
    position = np.full(len(sums), len(largest), dtype=np.int64)
    position[largest] = np.arange(len(largest))
    count = len(largest) + 1
    # All parts are spread in one step: each has a copy of the grid, one after another.
    shift = position[part] * (end - begin)
    start = np.maximum(flows.start_ms[rows], begin) + shift
    stop = np.minimum(np.maximum(flows.end_ms[rows], flows.start_ms[rows] + 1), end) + shift
    wide = Grid(begin, grid.step_ms, grid.bins * count)
    rates = wide.spread(start, np.minimum(stop, end + shift - 1), octets).reshape(count, grid.bins)
    total = rates.sum(axis=0)
    variances = rates.var(axis=1)
    together = float(variances.sum())
    if together <= 0.0 or total.mean() <= 0.0:
        return Yielding(1.0, 0.0, 0.0, 0.0)
    return Yielding(
        ratio=float(total.var()) / together,
        spread=float(np.sqrt(together) / total.mean()),
        parts=float(together**2 / (variances**2).sum()),
        active=float((rates >= 0.02 * total).sum(axis=0).mean()),
    )


def pace(flows: SiteFlows, rows: NDArray[np.intp]) -> float | None:
    """How much conversations change their rates from record to record: the standard deviation over the mean of each,
    on average by octets; None where too little of the traffic is in conversations of several records.

    Streams that come and go, each at a rate of its own, make a level without any ceiling and keep their pace (next
    to 0); under a ceiling whoever stays gets another rate when somebody comes (0.15 and more, measured on invented
    sites, no source).
    """
    duration = flows.end_ms[rows] - flows.start_ms[rows]
    rows, duration = rows[duration >= PACE_MS], duration[duration >= PACE_MS]
    _, key = np.unique(conversation_keys(flows, rows), return_inverse=True)
    octets = flows.wire_octets[rows]
    rate = octets / duration
    records, weight = np.bincount(key), np.bincount(key, octets)
    mean = np.bincount(key, rate) / records
    deviation = np.sqrt(np.bincount(key, (rate - mean[key]) ** 2) / records)
    several = (records >= PACE_RECORDS) & (mean > 0.0)
    if weight[several].sum() < PACE_PART * max(weight.sum(), 1.0):
        return None
    return float((weight[several] * deviation[several] / mean[several]).sum() / weight[several].sum())
