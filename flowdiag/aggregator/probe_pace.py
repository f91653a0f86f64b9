"""The pace of what is sent again and again: how long from one probe to the next, as far as flow records tell.

Facts it rests on: how many probes one record holds is the exporter's affair. With an idle timeout below the interval each
has its own; with an active timeout of half an hour hundreds share one, of which only the mean interval is known: its time
over its packets less one.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

MIN_PROBES: Final = 10  # fewer say nothing about a pace
STEADY: Final = 0.2  # how far an interval may be off the median
STEADY_SHARE: Final = 0.7  # part of the intervals that are not
BURST: Final = (
    0.25  # of the time to the next record: a shorter record is one probe, of one or several packets
)
MOST_OF_ONE: Final = 10_000  # intervals taken of one record, so that a wrong counter cannot fill the memory


def steady_interval_ms(
    start_ms: NDArray[np.int64], end_ms: NDArray[np.int64], packets: NDArray[np.float64], *, connections: bool
) -> float | None:
    """The median interval of a stream that keeps it; None where it does not, or is too short to tell.

    Arguments as for probe_intervals().
    """
    intervals = probe_intervals(start_ms, end_ms, packets, connections=connections)
    if len(intervals) < MIN_PROBES - 1:
        return None
    median = float(np.median(intervals))
    steady = np.mean(np.abs(intervals - median) <= STEADY * median) >= STEADY_SHARE
    return median if steady else None


def probe_intervals(
    start_ms: NDArray[np.int64], end_ms: NDArray[np.int64], packets: NDArray[np.float64], *, connections: bool
) -> NDArray[np.float64]:
    """Milliseconds from one probe to the next, as far as records by start tell; empty if they do not.

    A record of several packets holds packets - 1 intervals, and one more lies between it and the next record. Where the
    records are short beside the time from one to the next, each is one probe, whatever its packets. A connection that lasts
    is no probe.
    """
    between = np.diff(start_ms).astype(np.float64)
    if len(between):
        length = float(np.median(end_ms - start_ms))
        if length < BURST * np.median(between):
            return between
    if connections:
        return np.zeros(0)
    several = packets >= 2
    counts = packets[several] - 1
    within = (end_ms[several] - start_ms[several]) / counts
    gaps = (start_ms[1:] - end_ms[:-1]).astype(np.float64)
    held = np.repeat(within, counts.clip(max=MOST_OF_ONE).astype(np.int64))
    return np.concatenate([held, gaps[gaps > 0]])
