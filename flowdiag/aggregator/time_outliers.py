"""Flows whose times lie far from all others: left out, since one of them would stretch every window to years.

They come from a router that had no clock yet when it started (times near 1970), and from damage.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.durations import DAY_MS

# Common practice, no source: a pause of a week with hardly anything behind it is no part of the export.
PAUSE_DAYS: Final = 7
HARDLY_ANYTHING: Final = 0.01
# Windows of a minute that a usage may have: three numbers of 8 octets per link and direction each.
MAX_DAYS: Final = 1_000


def without_time_outliers(flows: SiteFlows) -> tuple[SiteFlows, int]:
    """The flows without those days away from the rest, and how many were left out.

    Blocks of days that a pause of more than PAUSE_DAYS separates are left out at both ends where they hold less
    than HARDLY_ANYTHING of the flows of the largest one, and in any case beyond MAX_DAYS around it.
    """
    if not len(flows):
        return flows, 0
    first_day, last_day = int(flows.start_ms.min()) // DAY_MS, int(flows.end_ms.max()) // DAY_MS
    if last_day - first_day <= PAUSE_DAYS:
        return flows, 0
    day = flows.start_ms // DAY_MS
    first, last = days_kept(*np.unique(day, return_counts=True))
    kept = (day >= first) & (day <= last) & (flows.end_ms < (last + PAUSE_DAYS) * DAY_MS)
    if kept.all():
        return flows, 0
    return flows.at(np.flatnonzero(kept)), int(len(kept) - kept.sum())


def days_kept(days: NDArray[np.int64], counts: NDArray[np.int64]) -> tuple[int, int]:
    """First and last day (since 1970) that belong to the export, of ascending days and their numbers of flows."""
    block = np.concatenate([[0], np.cumsum(np.diff(days) > PAUSE_DAYS)])
    sizes = np.bincount(block, counts)
    main = int(np.argmax(sizes))
    main_days = days[block == main]
    kept = days[sizes[block] >= HARDLY_ANYTHING * sizes[main]]
    kept = kept[(kept > int(main_days[-1]) - MAX_DAYS) & (kept < int(main_days[0]) + MAX_DAYS)]
    if not len(kept):  # a main block longer than any usage may be
        kept = main_days[-MAX_DAYS:]
    return int(kept[0]), int(kept[-1])


class Span:
    """First and last time of an export, strays left aside, from records of many sources in any order.

    Kept by source and day, since a source's clock may have to be moved when all is known.
    """

    def __init__(self) -> None:
        self.outliers = 0  # records left aside, known once it is settled
        self._counts: dict[int, int] = {}
        self._times: dict[tuple[int, int], tuple[int, int]] = {}

    def add(
        self,
        source: NDArray[np.int16],
        start_ms: NDArray[np.int64],
        end_ms: NDArray[np.int64],
        records: NDArray[np.int64] | None = None,
    ) -> None:
        """source: number of each record's source; all of one length, at least 1. records: how many each row stands for, of
        times from the one to the other; one for None."""
        day = start_ms // DAY_MS
        day_and_source = day << 16 | source
        order = np.argsort(day_and_source, kind="stable")
        keys, begins, counts = np.unique(day_and_source[order], return_index=True, return_counts=True)
        if records is not None:
            counts = np.add.reduceat(records[order], begins)
        firsts = np.minimum.reduceat(start_ms[order], begins)
        lasts = np.maximum.reduceat(end_ms[order], begins)
        for at, count, first, last in zip(
            keys.tolist(), counts.tolist(), firsts.tolist(), lasts.tolist(), strict=True
        ):
            key = at & 0xFFFF, at >> 16
            known = self._times.get(key, (first, last))
            self._times[key] = min(first, known[0]), max(last, known[1])
            self._counts[at >> 16] = self._counts.get(at >> 16, 0) + count

    def settle(self, shift_ms: NDArray[np.int64]) -> tuple[int | None, int | None]:
        """First and last time; shift_ms: what to add to each source's times. None without records."""
        if not self._counts:
            return None, None
        days = sorted(self._counts)
        low, high = days_kept(np.array(days), np.array([self._counts[day] for day in days]))
        self.outliers = sum(count for day, count in self._counts.items() if not low <= day <= high)
        kept = [
            (first + int(shift_ms[source]), last + int(shift_ms[source]))
            for (source, day), (first, last) in self._times.items()
            if low <= day <= high
        ]
        return min(first for first, _ in kept), max(last for _, last in kept)
