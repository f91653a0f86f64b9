"""Which windows over a threshold make a sustained time: arithmetic on rows of windows, no flows in sight."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.diagnoser.signals.timeline import runs
from flowdiag.durations import MINUTE_MS

SUSTAINED: Final = 3  # minutes in a row
SUSTAINED_MS: Final = SUSTAINED * MINUTE_MS
# Rows broken by single dips: so many minutes over, and such a part of the whole, are sustained too.
BROKEN_LEAST: Final = 6
BROKEN_SHARE: Final = 2 / 3
# Dips of short windows that are bridged, where what is on both sides of them is no shorter.
DIP_MS: Final = 60_000
# What exceeds the plan by less than this comes from spreading; more says that the plan rate is wrong.
MOST_BLUR: Final = 1.15
LONGEST_REACH: Final = 5
# A rate that equals the threshold but for rounding is over it.
ROUNDING: Final = 1e-9

Run = tuple[int, int]  # windows [first, stop)


def sustained(
    over: NDArray[np.bool_], share: NDArray[np.float64], threshold: float, width: int = 1
) -> list[Run]:
    """[first, stop) of each sustained run of minutes. over: windows over the threshold; width: windows to average over
    (odd).
    """
    if width > 1:
        padded = np.pad(share, width // 2)
        over = np.convolve(padded, np.full(width, 1.0 / width), "valid") >= threshold - ROUNDING
    edges = np.flatnonzero(np.diff(over, prepend=False, append=False)).reshape(-1, 2)
    if not len(edges):
        return []
    lengths = edges[:, 1] - edges[:, 0]
    # Runs that one window parts are one.
    begins = np.flatnonzero(np.concatenate([[True], edges[1:, 0] - edges[:-1, 1] > 1]))
    ends = np.concatenate([begins[1:], [len(edges)]]) - 1
    firsts, stops = edges[begins, 0], edges[ends, 1]
    longest, count = np.maximum.reduceat(lengths, begins), np.add.reduceat(lengths, begins)
    broken = (count >= max(BROKEN_LEAST, width)) & (count >= BROKEN_SHARE * (stops - firsts))
    kept = (longest >= SUSTAINED) | broken
    # An average over the threshold speaks for all of its windows.
    found = [
        (max(first - width // 2, 0), min(stop + width // 2, len(over)))
        for first, stop in zip(firsts[kept].tolist(), stops[kept].tolist(), strict=True)
    ]
    return joined(found, 0) if width > 1 else found


def sustained_short(
    over: NDArray[np.bool_],
    window_ms: int,
    least_ms: int = SUSTAINED_MS,
    lengths_ms: NDArray[np.int64] | None = None,
) -> list[Run]:
    """[first, stop) of each sustained run of windows shorter than a minute: so long over the threshold in all, which is
    BROKEN_SHARE of the run or more, or so long without a dip. lengths_ms: how much of each window counts, None for all.

    A dip is bridged that lasts a minute at most and no longer than what is over the threshold on either side of it, so
    that single windows now and then make no run.
    """
    pieces = [(first, stop, stop - first) for first, stop in runs(over)]
    while True:
        grown: list[tuple[int, int, int]] = []
        for first, stop, count in pieces:
            if grown:
                dip = first - grown[-1][1]
                if dip * window_ms <= DIP_MS and dip <= min(count, grown[-1][2]):
                    grown[-1] = (grown[-1][0], stop, grown[-1][2] + count)
                    continue
            grown.append((first, stop, count))
        if len(grown) == len(pieces):
            break
        pieces = grown
    lengths = np.full(len(over), window_ms) if lengths_ms is None else lengths_ms
    upto = np.concatenate([[0], np.cumsum(np.where(over, lengths, 0))])
    found: list[Run] = []
    for first, stop, count in pieces:
        if upto[stop] - upto[first] >= least_ms and count >= BROKEN_SHARE * (stop - first):
            found.append((first, stop))
        else:
            inner = [(first + a, first + b) for a, b in runs(over[first:stop])]
            found += [(a, b) for a, b in inner if upto[b] - upto[a] >= least_ms]
    return found


def unblurred(share: NDArray[np.float64], reach: float, most: float = MOST_BLUR) -> NDArray[np.float64]:
    """Rates (as parts of the plan) with what exceeds the plan handed to the windows beside.

    A line cannot carry more than its plan; where even spreading says so, the octets were sent a little before
    or after, within the length of a record (reach, in windows). The nearest windows take first, both sides
    alike. What is more than `most` times the plan stays: there the plan is wrong.
    """
    share = share.copy()
    steps = min(max(int(np.ceil(reach)), 1), LONGEST_REACH)
    for window in np.flatnonzero((share > 1.0) & (share <= most)).tolist():
        excess = float(share[window]) - 1.0
        for step in range(1, steps + 1):
            sides = [side for side in (window - step, window + step) if 0 <= side < len(share)]
            for index, side in enumerate(sides):
                given = min(excess / (len(sides) - index), max(1.0 - float(share[side]), 0.0))
                share[side] += given
                excess -= given
        share[window] = 1.0 + excess
    return share


def bridged(mask: NDArray[np.bool_], gap: int) -> list[Run]:
    """Runs of True, those at most `gap` windows apart joined."""
    return joined(runs(mask), gap)


def joined(parts: list[Run], gap: int) -> list[Run]:
    """Runs in order, those at most `gap` windows apart as one."""
    found: list[Run] = []
    for first, stop in parts:
        if found and first - found[-1][1] <= gap:
            found[-1] = (found[-1][0], max(stop, found[-1][1]))
        else:
            found.append((first, stop))
    return found


def grown(run: Run, over: NDArray[np.bool_]) -> Run:
    """A run with the windows over the threshold that adjoin it."""
    first, stop = run
    while first > 0 and over[first - 1]:
        first -= 1
    while stop < len(over) and over[stop]:
        stop += 1
    return first, stop


def with_lost_dips(
    over: NDArray[np.bool_],
    hidden: NDArray[np.bool_],
    measured: NDArray[np.float64],
    lost: NDArray[np.float64],
    threshold: float,
) -> NDArray[np.bool_]:
    """The windows over a threshold and the dips between them that are as deep as what was lost of them makes.

    hidden: windows in which octets may be missing; measured: rates as parts of the plan; lost: the largest part of the
    records that may have been lost of each.
    """
    filled = over.copy()
    for first, stop in runs(~over & hidden):
        inside = first > 0 and stop < len(over) and over[first - 1] and over[stop]
        if inside and measured[first:stop].mean() >= threshold * (1.0 - lost[first:stop].max()) - ROUNDING:
            filled[first:stop] = True
    return filled


def with_hidden_dips(over: NDArray[np.bool_], hidden: NDArray[np.bool_], most: int) -> NDArray[np.bool_]:
    """The windows over a threshold and the dips between them, of at most so many windows, of which nothing is known."""
    if not hidden.any():
        return over
    filled = over.copy()
    for first, stop in runs(~over):
        inside = first > 0 and stop < len(over)
        if inside and stop - first <= most and bool(hidden[first:stop].all()):
            filled[first:stop] = True
    return filled
