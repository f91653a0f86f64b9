"""Records that repeat others although element 61 does not say so: counted once.

Facts the rules follow:
- two metering points, or two observation domains, that see the same packets give records with the same
  addresses, ports, protocol, code point, octets and packets, at nearly the same times. A single metering process
  never does: packets of one key within the idle timeout are one record, and pieces cut by the active timeout
  follow one another;
- two exporters that see the same packets cut their flows at other moments, so their records differ while the
  sums per conversation agree.
Both rules are common practice, no source; both only ever drop what has its counterpart.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import SiteFlows, where

# Twins start and end within this of each other: more than two points of one router differ, less than the
# shortest idle timeout (a second), within which packets of one key are one record.
NEARLY_MS: Final = 500
# More copies than this in a row are single packets reported one by one (an idle timeout of 0, RFC 3954 3.2).
MOST_COPIES: Final = 4
# A systematic repetition shows in a sample; up to so many rows all are looked at.
ALWAYS_LOOKED_AT: Final = 200_000
SAMPLE_ONE_IN: Final = 16  # a power of two
_ODD: Final = 0x2545_F491  # spreads the bits; any large odd number

# Odd 64-bit multipliers of splitmix64 (from memory).
_MIX: Final = (0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB)


def mixed(*columns: NDArray[np.generic]) -> NDArray[np.uint64]:
    """A 64-bit hash of each row of some columns. Two of ten million distinct rows agree by chance in 3e-6."""
    key = np.zeros(len(columns[0]), np.uint64)
    with np.errstate(over="ignore"):
        for column in columns:
            key ^= column.astype(np.int64).view(np.uint64) + np.uint64(_MIX[0]) + (key << np.uint64(6))
            key *= np.uint64(_MIX[1])
            key ^= key >> np.uint64(29)
        key *= np.uint64(_MIX[2])
        key ^= key >> np.uint64(32)
    return key


def without_twins(flows: SiteFlows) -> tuple[SiteFlows, int]:
    """The flows without repetitions, the first of each kept, and how many were dropped."""
    repeated = _twins(flows)
    if not len(repeated):
        return flows, 0
    kept = np.ones(len(flows), np.bool_)
    kept[repeated] = False
    return flows.at(np.flatnonzero(kept)), len(repeated)


def _twins(flows: SiteFlows) -> NDArray[np.intp]:
    found = _repeated(flows, sampled(flows))
    if not len(found) or len(flows) <= ALWAYS_LOOKED_AT:
        return found
    return _repeated(flows, np.flatnonzero(flows.link >= 0))


def conversation_keys(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.uint64]:
    """A hash of addresses, ports, protocol, code point, link and direction, for some rows."""
    return mixed(
        flows.inside[rows].astype(np.int64) << 32 | flows.outside[rows].astype(np.int64),
        (flows.inside_port[rows].astype(np.int64) + 1) << 40
        | (flows.outside_port[rows].astype(np.int64) + 1) << 20
        | (flows.protocol[rows].astype(np.int64) + 1) << 8
        | (flows.dscp[rows].astype(np.int64) + 1),
        (flows.link[rows].astype(np.int64) + 1) << 2 | (flows.direction[rows].astype(np.int64) + 1),
    )


def sampled(flows: SiteFlows) -> NDArray[np.intp]:
    """Rows on links of some conversations, one in SAMPLE_ONE_IN; all rows where there are few."""
    if len(flows) <= ALWAYS_LOOKED_AT:
        return np.flatnonzero(flows.link >= 0)

    def in_sample(some: SiteFlows) -> NDArray[np.bool_]:
        # By numbers that all records of a conversation share, so that all of them are in the sample or none.
        common = some.inside_port ^ some.outside_port ^ some.inside ^ (some.outside << 2)
        chosen: NDArray[np.bool_] = ((common * np.int32(_ODD)) >> 16) & (SAMPLE_ONE_IN - 1) == 0
        return chosen & (some.link >= 0)

    return np.flatnonzero(where(flows, in_sample))


def repeated(keys: NDArray[np.uint64]) -> NDArray[np.intp]:
    """Places of the keys that occur more than once, ascending."""
    ordered = np.sort(keys)
    several = np.unique(ordered[1:][ordered[1:] == ordered[:-1]])
    if not len(several):
        return np.zeros(0, np.intp)
    place = np.minimum(np.searchsorted(several, keys), len(several) - 1)
    return np.flatnonzero(several[place] == keys)


def _repeated(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Those of the rows (in ascending order) that repeat an earlier one of them at nearly the same time."""
    keys = mixed(conversation_keys(flows, rows), flows.octets[rows], flows.packets[rows])
    places = repeated(keys)
    if not len(places):
        return np.zeros(0, np.intp)
    involved, keys = rows[places], keys[places]
    start, end = flows.start_ms[involved], flows.end_ms[involved]
    order = np.lexsort((involved, end, start, keys))
    before, after = order[:-1], order[1:]
    near = (keys[before] == keys[after]) & (np.abs(start[after] - start[before]) <= NEARLY_MS)
    near &= np.abs(end[after] - end[before]) <= NEARLY_MS
    run = np.concatenate([[0], np.cumsum(~near)])
    near &= np.bincount(run)[run[1:]] <= MOST_COPIES
    return np.sort(involved[after[near]])
