"""Records of one conversation that all name its very first packet as their start, although each counts only what
came since the record before.

Facts the rule follows: a record's start is its first packet (RFC 7012 5.8, NetFlow v5's First), and pieces cut by
the active timeout follow one another. Some exporters repeat the conversation's start in every piece while octets
and packets are those of the piece (seen in the NetFlow v5 of a virtual switch). Spread over its stated time, such a
piece would be smeared over the whole conversation; so it begins where the piece before it ended.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.aggregator.duplicates import ALWAYS_LOOKED_AT, NEARLY_MS, conversation_keys, repeated, sampled
from flowdiag.aggregator.site_flows import SiteFlows

# The same start differs by rounding from message to message: NetFlow v5 counts from the exporter's own start.
JITTER_MS: Final = 20


def with_own_starts(flows: SiteFlows) -> tuple[SiteFlows, int]:
    """The flows with each piece beginning where the one before it ended, and how many starts were moved."""
    rows, starts = _moved(flows, sampled(flows))
    if not len(rows):
        return flows, 0
    if len(flows) > ALWAYS_LOOKED_AT:
        rows, starts = _moved(flows, np.flatnonzero(flows.link >= 0))
    start_ms = flows.start_ms.copy()
    start_ms[rows] = starts
    return replace(flows, start_ms=start_ms), len(rows)


def _moved(flows: SiteFlows, rows: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
    """Rows that share conversation and start with one that ended earlier, and when that one ended."""
    keys = conversation_keys(flows, rows)
    repeats = repeated(keys)
    rows, keys = rows[repeats], keys[repeats]
    start, end = flows.start_ms[rows], flows.end_ms[rows]
    order = np.lexsort((rows, end, keys))
    before, after = order[:-1], order[1:]
    again = (keys[before] == keys[after]) & (np.abs(start[after] - start[before]) <= JITTER_MS)
    again &= (end[after] - end[before] > NEARLY_MS) & (start[after] < end[before])
    return rows[after[again]], end[before[again]]
