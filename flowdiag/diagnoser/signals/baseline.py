"""What is usual at an hour of a weekday, where the export holds earlier days.

The same clock times on the same weekdays are compared by median and median absolute deviation (MAD; robust
against one odd day). With fewer than two of them, all earlier workdays (or all earlier weekend days) stand
in, two at least. Clock times are local, so that a change to or from daylight saving time does not shift
them.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from msgspec import Struct

from flowdiag.diagnoser.case import Case

LEAST_DAYS: Final = 2
MOST_DAYS: Final = 92  # a quarter; older habits say little
HEARD_LEAST: Final = 0.8  # a day counts when the exporter was heard for so much of the time compared
MAD_TO_SIGMA: Final = 1.4826  # 1 / 0.6745: consistent with the standard deviation of a normal distribution
UNUSUAL_SIGMAS: Final = 3.0
SATURDAY: Final = 5


class Usual(Struct, frozen=True):
    """Mean rates at the same clock times of earlier days: median and MAD in Mbit/s over `days` days.

    same_weekday: only the same weekday was compared; else all workdays or all weekend days.
    """

    median_mbps: float
    mad_mbps: float
    days: int
    same_weekday: bool
    local_start: datetime

    def times(self, mbps: float) -> float | None:
        """How many times the usual a rate is; None where usually nothing runs."""
        return mbps / self.median_mbps if self.median_mbps > 0.0 else None

    def is_unusual(self, mbps: float) -> bool:
        return mbps > self.median_mbps + UNUSUAL_SIGMAS * MAD_TO_SIGMA * self.mad_mbps


def usual(case: Case, link: int, direction: int, start_ms: int, end_ms: int) -> Usual | None:
    """What is usual on a link direction at the clock times of [start_ms, end_ms); None without enough earlier days."""
    zone = ZoneInfo(case.profile.site.timezone)
    local = datetime.fromtimestamp(start_ms / 1000, UTC).astimezone(zone)
    rate = case.usage.mbps(link, direction)
    same: list[float] = []
    alike: list[float] = []
    for back in range(1, MOST_DAYS + 1):
        # Arithmetic on an aware datetime of one zone is on the clock, not on elapsed time: what is wanted
        # here.
        earlier = local - timedelta(days=back)
        begin = int(earlier.timestamp() * 1000)
        if begin < case.usage.start_ms:
            break
        mean = _mean(case, rate, begin, begin + end_ms - start_ms)
        if mean is None:
            continue
        if earlier.weekday() == local.weekday():
            same.append(mean)
        if (earlier.weekday() >= SATURDAY) == (local.weekday() >= SATURDAY):
            alike.append(mean)
    chosen = same if len(same) >= LEAST_DAYS else alike
    if len(chosen) < LEAST_DAYS:
        return None
    means = np.array(chosen)
    median = float(np.median(means))
    mad = float(np.median(np.abs(means - median)))
    return Usual(median, mad, len(means), chosen is same, local)


def _mean(
    case: Case, rate: np.ndarray[tuple[int, ...], np.dtype[np.float64]], begin: int, end: int
) -> float | None:
    usage = case.usage
    first = (begin - usage.start_ms) // usage.window_ms
    stop = max((end - usage.start_ms) // usage.window_ms, first + 1)
    heard = case.coverage.heard[first:stop]
    if len(heard) < stop - first or float(heard.mean()) < HEARD_LEAST:
        return None
    return float(rate[first:stop].mean())
