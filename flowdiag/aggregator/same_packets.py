"""Two exporters, or two observation domains, that report the same packets of a link: one of them counts.

Facts the rule follows: two metering processes cut their flows at different moments, so their records differ, but
over a whole conversation their octets agree. What shares most of its octets, conversation by conversation and in
overlapping times, with a source that has more records is the same traffic once more (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.aggregator.conversation_keys import conversation_key
from flowdiag.aggregator.counting import Decisions, Tally
from flowdiag.aggregator.records import Records
from flowdiag.aggregator.site_flows import DOWN, UP

SAME: Final = 0.8  # part of the lesser source's octets that the other has too
# Conversations looked at: all, or one in so many where there are more records than that.
MOST_RECORDS: Final = 1_000_000
SAMPLE_ONE_IN: Final = 16
# Sources of a link direction that are compared, those with most records; each is compared with each. A site has a handful.
MOST_SOURCES: Final = 64


class _Talks(Struct, frozen=True, eq=False):
    """Conversations of one source on a link direction: ascending keys, octets, first and last time."""

    keys: NDArray[np.uint64]
    octets: NDArray[np.float64]
    first_ms: NDArray[np.int64]
    last_ms: NDArray[np.int64]


def drop_second_sources(
    decisions: Decisions, tally: Tally, pieces: Iterable[Records], shift_ms: NDArray[np.int64]
) -> Decisions:
    """The decisions without what a second source repeats. shift_ms: what to add to each source's times."""
    counted = np.where(decisions.counts, tally.records, 0.0).sum(axis=3)  # [source, link, direction]
    shared = [
        (int(link), int(direction))
        for link, direction in np.argwhere((counted > 0).sum(axis=0) > 1)
        if decisions.links_apart
    ]
    if not shared:
        return decisions
    thin = SAMPLE_ONE_IN if counted.sum() > MOST_RECORDS else 1
    counts = decisions.counts.copy()
    dropped = 0.0
    for link, direction in shared:
        records = counted[:, link, direction]
        compared = np.argsort(-records, kind="stable")[:MOST_SOURCES]
        here = replace(decisions, counts=_of_these(decisions.counts, compared))
        talks = _talks_by_source(here, pieces, shift_ms, link, direction, thin)
        by_size = [source for source in compared.tolist() if source in talks]
        kept: list[int] = []
        for source in by_size:
            if any(_same(talks[source], talks[other]) for other in kept):
                counts[source, link, direction] = False
                dropped += counted[source, link, direction]
            else:
                kept.append(source)
    return replace(decisions, counts=counts, second_source=decisions.second_source + int(dropped))


def _of_these(counts: NDArray[np.bool_], sources: NDArray[np.intp]) -> NDArray[np.bool_]:
    """What counts, of some sources only."""
    others = np.ones(len(counts), np.bool_)
    others[sources] = False
    chosen = counts.copy()
    chosen[others] = False
    return chosen


def _same(lesser: _Talks, greater: _Talks) -> bool:
    _, left, right = np.intersect1d(lesser.keys, greater.keys, assume_unique=True, return_indices=True)
    together = (lesser.first_ms[left] <= greater.last_ms[right]) & (
        greater.first_ms[right] <= lesser.last_ms[left]
    )
    common = np.minimum(lesser.octets[left], greater.octets[right])[together].sum()
    return bool(common >= SAME * min(lesser.octets.sum(), greater.octets.sum()) > 0)


def _talks_by_source(
    decisions: Decisions,
    pieces: Iterable[Records],
    shift_ms: NDArray[np.int64],
    link: int,
    direction: int,
    thin: int,
) -> dict[int, _Talks]:
    found: dict[int, list[_Talks]] = {}
    for records in pieces:
        here = {DOWN: records.link_in, UP: records.link_out}[direction] == link
        here &= decisions.counts[records.source, link, direction, records.metered]
        rows = np.flatnonzero(here)
        keys = conversation_key(
            records.src[rows],
            records.dst[rows],
            records.src_port[rows],
            records.dst_port[rows],
            records.protocol[rows],
        )
        sampled = np.flatnonzero(keys % np.uint64(thin) == 0)
        rows, keys = rows[sampled], keys[sampled]
        for source in np.unique(records.source[rows]).tolist():
            of_source = records.source[rows] == source
            of = rows[of_source]
            shift = shift_ms[source]
            part = _Talks(
                keys[of_source], records.octets[of], records.start_ms[of] + shift, records.end_ms[of] + shift
            )
            found.setdefault(source, []).append(part)
    return {source: _summed(parts) for source, parts in found.items()}


def _summed(parts: list[_Talks]) -> _Talks:
    keys = np.concatenate([part.keys for part in parts])
    order = np.argsort(keys, kind="stable")
    distinct, begins = np.unique(keys[order], return_index=True)
    octets = np.concatenate([part.octets for part in parts])[order]
    first = np.concatenate([part.first_ms for part in parts])[order]
    last = np.concatenate([part.last_ms for part in parts])[order]
    return _Talks(
        distinct,
        np.add.reduceat(octets, begins),
        np.minimum.reduceat(first, begins),
        np.maximum.reduceat(last, begins),
    )
