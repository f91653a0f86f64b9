"""Whether one host makes the peaks: its share of them, and what the percentile would be without it.

Hosts are known by the hour, so the peaks are the hours that hold the slots at or over the 95th percentile, and what a host
carried in an hour is taken from the hour's slots in proportion to what these carried.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.percentiles import nearest_rank
from flowdiag.durations import HOUR_MS
from flowdiag.review.partial import SLOT_MS
from flowdiag.review.talkers import NAMED_PART, Talkers

_SLOTS_AN_HOUR: Final = HOUR_MS // SLOT_MS


class TopTalker(Struct, frozen=True):
    """share: of the octets in the hours with slots at or over the 95th percentile, 0 to 1; error: how much more it may be,
    by hours that do not name the host; p95_without_mbps: the percentile if the host had sent nothing.
    """

    address: bytes
    share: float
    p95_without_mbps: float
    error: float = 0.0

    @property
    def share_most(self) -> float:
        return self.share + self.error


def top_talker(
    talkers: Talkers, series: int, begin_ms: int, mbps: NDArray[np.float64], counted: NDArray[np.bool_]
) -> TopTalker | None:
    """The host that leads the peaks of one link and direction; None without any.

    series: link * 2 + direction; begin_ms: of the first slot; mbps: rate of each slot; counted: slots that count.
    """
    peak = counted & (mbps >= max(nearest_rank(mbps[counted], 95), 1e-9))
    if not peak.any():
        return None
    hour_of = (begin_ms // SLOT_MS + np.arange(len(mbps))) // _SLOTS_AN_HOUR
    first, hours = int(hour_of[0]), int(hour_of[-1] - hour_of[0]) + 1
    hour_of = hour_of - first
    peaks = np.zeros(hours, np.bool_)
    peaks[hour_of[peak]] = True
    own = talkers.between(first, first + hours)
    rows, named = np.flatnonzero(own.series == series), np.flatnonzero(own.host_series == series)
    total, error = (
        np.bincount(own.hour[rows] - first, values[rows], hours) for values in (own.total, own.error)
    )
    hour, host, octets = own.host_hour[named] - first, own.host[named], own.octets[named].astype(np.float64)
    in_peaks = peaks[hour]
    led = np.bincount(host[in_peaks], octets[in_peaks], len(own.addresses))
    if not led.any():
        return None
    top = min(
        np.flatnonzero(led == led.max()).tolist(), key=lambda number: bytes(own.addresses[number].as_py())
    )
    part = np.bincount(hour[host == top], octets[host == top], hours) / np.maximum(total, 1.0)
    without = mbps * (1.0 - np.minimum(part, 1.0))[hour_of]
    whole = float(total[peaks].sum())
    share = min(float(led[top]) / whole, 1.0)
    # In hours that name it, it is told whole; in others it had less than is named, or was folded.
    lacking = np.maximum(error, total / NAMED_PART)[peaks & (part == 0)].sum()
    return TopTalker(
        bytes(own.addresses[top].as_py()),
        share,
        nearest_rank(without[counted], 95),
        min(float(lacking) / whole, 1.0 - share),
    )
