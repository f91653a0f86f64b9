"""What a site-day says, in little: sums on a grid of time that add up over days in any order.

Facts the design follows:
- a flow that runs past midnight stands in one day's partition and has octets in the next day's minutes, so a partial
  may reach over its day and minutes are added before anything is compared with a threshold;
- octets are whole numbers, so sums are exact and equal in any order;
- capacities, thresholds, hours and time zone are no part of it: they are applied when a period is judged, so that a
  change of plan does not need the flows again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.durations import HOUR_MS, MINUTE_MS
from flowdiag.review.talkers import NOBODY, Talkers, joined

SLOT_MS: Final = 300_000  # five minutes, what transit billing averages over (common practice)
SLOT_MINUTES: Final = SLOT_MS // MINUTE_MS

# Two parts of one stay on the backup, seen by two days, lie this close together: the backup was used last within five
# minutes of the first day's end, and first within some of the next day's begin.
_SAME_STAY_MS: Final = 1_800_000


class Stay(Struct, frozen=True, order=True):
    """A time on a backup, ms since 1970 UTC. began_before, still: as far as the flows show, it had begun before them and
    went on after them.
    """

    link: int
    start_ms: int
    end_ms: int
    octets_down: int
    octets_up: int
    began_before: bool
    still: bool


class Missing(Struct, frozen=True, order=True):
    """A time without keepalives on a backup, ms since 1970 UTC."""

    link: int
    start_ms: int
    end_ms: int


class SitePartial(Struct, frozen=True, eq=False, dict=True):
    """start_ms: on a whole slot, ms since 1970 UTC; arrays are whole slots long.

    wire_octets: uint64 [link, direction, minute], framing included. covered: bool [minute], the exporter was heard.
    ip_octets: uint64 [link, slot], both directions; leaked: the part of it that is ordinary traffic on a backup which no
    failover explains. hosts: inside addresses with traffic on a primary link, the most of any day. stays, missing: in time
    order for each link.
    """

    start_ms: int
    wire_octets: NDArray[np.uint64]
    covered: NDArray[np.bool_]
    ip_octets: NDArray[np.uint64]
    leaked: NDArray[np.uint64]
    talkers: Talkers
    hosts: int = 0
    records: int = 0
    lost_records: int = 0
    stays: tuple[Stay, ...] = ()
    missing: tuple[Missing, ...] = ()

    @property
    def links(self) -> int:
        return int(self.wire_octets.shape[0])

    @property
    def minutes(self) -> int:
        return len(self.covered)

    @property
    def end_ms(self) -> int:
        return self.start_ms + self.minutes * MINUTE_MS

    @cached_property
    def covered_slots(self) -> NDArray[np.bool_]:
        """Slots in all of whose minutes the exporter was heard."""
        covered: NDArray[np.bool_] = np.asarray(self.covered.reshape(-1, SLOT_MINUTES).all(axis=1))
        return covered

    @cached_property
    def slot_mbps(self) -> NDArray[np.float64]:
        """Rates of each slot, framing included; [link, direction, slot]."""
        octets = self.wire_octets.reshape(self.links, 2, -1, SLOT_MINUTES).sum(axis=3, dtype=np.float64)
        mbps: NDArray[np.float64] = octets * 8e3 / (SLOT_MS * 1e6)
        return mbps

    @property
    def heard_slots(self) -> NDArray[np.bool_]:
        """Slots in any of whose minutes the exporter was heard."""
        heard: NDArray[np.bool_] = np.asarray(self.covered.reshape(-1, SLOT_MINUTES).any(axis=1))
        return heard

    def slots_of(self, stay: Stay) -> slice:
        """The slots of the grid that a stay touches."""
        first, stop = stay.start_ms - self.start_ms, -((self.start_ms - stay.end_ms) // SLOT_MS)
        return slice(max(first // SLOT_MS, 0), max(stop, 0))


def nothing(links: int, start_ms: int = 0, minutes: int = 0) -> SitePartial:
    """The partial of no flows on a grid of so many minutes (whole slots)."""
    slots = minutes // SLOT_MINUTES
    return SitePartial(
        start_ms=start_ms,
        wire_octets=np.zeros((links, 2, minutes), np.uint64),
        covered=np.zeros(minutes, np.bool_),
        ip_octets=np.zeros((links, slots), np.uint64),
        leaked=np.zeros((links, slots), np.uint64),
        talkers=NOBODY,
    )


def merge(partials: Sequence[SitePartial], links: int) -> SitePartial:
    """All of them together: merging is associative and does not depend on the order.

    links: of the site. Raises ValueError for a partial of another number of links.
    """
    if any(partial.links != links for partial in partials):
        raise ValueError("partials of other links cannot be merged")
    parts = [partial for partial in partials if partial.minutes]
    if not parts:
        return nothing(links)
    begin = min(partial.start_ms for partial in parts)
    end = max(partial.end_ms for partial in parts)
    return replace(
        _summed(parts, nothing(links, begin, (end - begin) // MINUTE_MS)),
        talkers=joined([partial.talkers for partial in parts]),
        hosts=max(partial.hosts for partial in parts),
        records=sum(partial.records for partial in parts),
        lost_records=sum(partial.lost_records for partial in parts),
        stays=_joined(stay for partial in parts for stay in partial.stays),
        missing=tuple(sorted(missing for partial in parts for missing in partial.missing)),
    )


def within(partial: SitePartial, begin_ms: int, end_ms: int) -> SitePartial:
    """The partial on exactly the grid [begin, end), whole slots; minutes that it does not reach are not covered.

    records, lost_records and hosts stay those of the whole partial; stays and missing that touch the time are cut to it.
    """
    placed = _part(partial, begin_ms, end_ms)
    return replace(
        placed,
        talkers=partial.talkers.between(begin_ms // HOUR_MS, -(-end_ms // HOUR_MS)),
        hosts=partial.hosts,
        records=partial.records,
        lost_records=partial.lost_records,
        stays=tuple(
            replace(stay, start_ms=max(stay.start_ms, begin_ms), end_ms=min(stay.end_ms, end_ms))
            for stay in partial.stays
            if stay.start_ms < end_ms and stay.end_ms > begin_ms
        ),
        missing=tuple(
            replace(gap, start_ms=max(gap.start_ms, begin_ms), end_ms=min(gap.end_ms, end_ms))
            for gap in partial.missing
            if gap.start_ms < end_ms and gap.end_ms > begin_ms
        ),
    )


def _part(partial: SitePartial, begin_ms: int, end_ms: int) -> SitePartial:
    """The arrays on the grid [begin, end): views where the partial reaches over all of it."""
    if begin_ms < partial.start_ms or end_ms > partial.end_ms:
        return _summed([partial], nothing(partial.links, begin_ms, (end_ms - begin_ms) // MINUTE_MS))
    first, stop = ((moment - partial.start_ms) // MINUTE_MS for moment in (begin_ms, end_ms))
    slots = slice(first // SLOT_MINUTES, stop // SLOT_MINUTES)
    return replace(
        partial,
        start_ms=begin_ms,
        wire_octets=partial.wire_octets[:, :, first:stop],
        covered=partial.covered[first:stop],
        ip_octets=partial.ip_octets[:, slots],
        leaked=partial.leaked[:, slots],
    )


def _summed(parts: Sequence[SitePartial], empty: SitePartial) -> SitePartial:
    """The arrays of the parts added up on the grid of an empty partial; what lies beyond it is cut off."""
    for part in parts:
        begin, end = max(part.start_ms, empty.start_ms), min(part.end_ms, empty.end_ms)
        if begin >= end:
            continue
        here = slice((begin - empty.start_ms) // MINUTE_MS, (end - empty.start_ms) // MINUTE_MS)
        there = slice((begin - part.start_ms) // MINUTE_MS, (end - part.start_ms) // MINUTE_MS)
        empty.wire_octets[:, :, here] += part.wire_octets[:, :, there]
        empty.covered[here] |= part.covered[there]
        here = slice(here.start // SLOT_MINUTES, here.stop // SLOT_MINUTES)
        there = slice(there.start // SLOT_MINUTES, there.stop // SLOT_MINUTES)
        empty.ip_octets[:, here] += part.ip_octets[:, there]
        empty.leaked[:, here] += part.leaked[:, there]
    return empty


def _joined(stays: Iterable[Stay]) -> tuple[Stay, ...]:
    """In time order for each link, where one that goes on and one that had begun before are one."""
    joined: list[Stay] = []
    for stay in sorted(stays):
        last = joined[-1] if joined else None
        if (
            last is not None
            and last.link == stay.link
            and last.still
            and stay.began_before
            and stay.start_ms - last.end_ms <= _SAME_STAY_MS
        ):
            joined[-1] = replace(
                last,
                end_ms=max(last.end_ms, stay.end_ms),
                octets_down=last.octets_down + stay.octets_down,
                octets_up=last.octets_up + stay.octets_up,
                still=stay.still,
            )
        else:
            joined.append(stay)
    return tuple(joined)
