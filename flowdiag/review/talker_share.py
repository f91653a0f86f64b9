"""Whether one host makes the peaks: its share of them, and what the percentile would be without it."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.percentiles import nearest_rank
from flowdiag.review.partial import SLOT_MS


class TopTalker(Struct, frozen=True):
    """share: of the octets in the slots at or over the 95th percentile, 0 to 1; p95_without_mbps: the percentile if the
    host had sent nothing in the slots that it led.
    """

    address: bytes
    share: float
    p95_without_mbps: float


def top_talker(
    talkers: pa.Table, series: int, begin_ms: int, mbps: NDArray[np.float64], counted: NDArray[np.bool_]
) -> TopTalker | None:
    """The host that leads the peaks of one link and direction; None without any.

    talkers: partial.TALKER_SCHEMA; series: link * 2 + direction; begin_ms: of the first slot; mbps: rate of each slot;
    counted: slots that count.
    """
    own = talkers.filter(pc.equal(talkers["series"], series))
    slot = own["slot"].to_numpy() - begin_ms // SLOT_MS
    within = (slot >= 0) & (slot < len(mbps))
    slot = slot[within]
    rate = own["octets"].to_numpy()[within] * 8e3 / (SLOT_MS * 1e6)
    names = own["address"].combine_chunks().dictionary_encode()
    host = names.indices.to_numpy()[within]
    peak = counted & (mbps >= max(nearest_rank(mbps[counted], 95), 1e-9))
    in_peaks = peak[slot]
    if not in_peaks.any():
        return None
    addresses: list[bytes] = names.dictionary.to_pylist()
    led = np.bincount(host[in_peaks], rate[in_peaks], len(addresses))
    most = led.max()
    top = min(np.flatnonzero(led == most).tolist(), key=lambda number: addresses[number])
    without = mbps.copy()
    np.subtract.at(without, slot[host == top], rate[host == top])
    return TopTalker(
        addresses[top],
        min(float(most / mbps[peak].sum()), 1.0),
        nearest_rank(np.maximum(without, 0.0)[counted], 95),
    )
