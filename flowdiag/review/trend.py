"""Where use is going: the slope through the days, and when it will reach a threshold.

Each point is a day's nearest-rank 95th percentile of five-minute rates. A weekend is no trend, so each point is first
moved by how far its weekday usually lies from the line through all days. The slope is Theil and Sen's median of the slopes of all
pairs, with its interval of 95 % confidence (Sen 1968), by scipy.stats.theilslopes: a day out of line does not move it.

The interval takes the days for independent of each other. A trend over a few weeks cannot tell growth from a season.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

DAYS_A_MONTH: Final = 30.4375  # a twelfth of a year of 365.25 days
CONFIDENCE: Final = 0.95
# Three of each weekday, less than which their medians say little. Common practice, no source.
LEAST_DAYS: Final = 21
# Further ahead than this nobody plans an access line.
MOST_MONTHS: Final = 120.0


class Trend(Struct, frozen=True):
    """Mbit/s a month. level_mbps: of the line through the days, at the last one. days: local days since 1970; points:
    their percentiles as measured; middle: of the line, days since 1970 and Mbit/s.
    """

    slope: float
    low: float
    high: float
    level_mbps: float
    middle: tuple[float, float]
    days: tuple[int, ...]
    points: tuple[float, ...]

    @property
    def is_sure(self) -> bool:
        """Whether the whole interval lies on one side of nothing."""
        return self.low > 0 or self.high < 0

    def percent(self, slope: float) -> float:
        """A slope as per cent of the line's middle, a month."""
        return 100.0 * slope / self.middle[1] if self.middle[1] > 0 else 0.0

    def months_until(self, mbps: float, from_mbps: float) -> Months:
        """How long until use that is at from_mbps now reaches mbps."""
        return Months(
            _months(mbps - from_mbps, self.slope),
            _months(mbps - from_mbps, self.high),
            _months(mbps - from_mbps, self.low),
        )


class Months(Struct, frozen=True):
    """None: not within MOST_MONTHS. soonest, latest: by the ends of the trend's interval."""

    expected: float | None
    soonest: float | None
    latest: float | None


def _months(distance: float, slope: float) -> float | None:
    if distance <= 0:
        return 0.0
    return distance / slope if slope > 0 and distance / slope <= MOST_MONTHS else None


def daily_trend(days: NDArray[np.int64], points: NDArray[np.float64]) -> Trend | None:
    """The trend of a series of days (since 1970, ascending); None where there are fewer than LEAST_DAYS.

    points: Mbit/s, of the same length.
    """
    if len(days) < LEAST_DAYS:
        return None
    from scipy.stats import theilslopes  # takes a second to load

    at = days.astype(np.float64)
    # The weekdays are told by the slope of all days, and the slope that counts by the days without them.
    adjusted = without_weekdays(days, points, median_slope(days, points))
    found = theilslopes(adjusted, at, alpha=CONFIDENCE)
    middle = float(np.median(days)), float(np.median(adjusted))
    slope = float(found.slope)
    return Trend(
        slope=slope * DAYS_A_MONTH,
        low=float(found.low_slope) * DAYS_A_MONTH,
        high=float(found.high_slope) * DAYS_A_MONTH,
        level_mbps=max(middle[1] + slope * (float(days[-1]) - middle[0]), 0.0),
        middle=middle,
        days=tuple(days.tolist()),
        points=tuple(points.tolist()),
    )


def median_slope(days: NDArray[np.int64], points: NDArray[np.float64]) -> float:
    """The median of the slopes of all pairs, a day: Theil and Sen's without its interval, which takes scipy longer."""
    earlier, later = np.triu_indices(len(days), 1)
    return float(np.median((points[later] - points[earlier]) / (days[later] - days[earlier])))


def without_weekdays(
    days: NDArray[np.int64], points: NDArray[np.float64], slope: float
) -> NDArray[np.float64]:
    """Each point less what its weekday's median lies above that of all. slope: a day, which is no part of that."""
    level = points - slope * (days - days[0])
    adjusted = points.copy()
    for weekday in range(7):
        own = days % 7 == weekday
        if own.any():
            adjusted[own] += np.median(level) - np.median(level[own])
    return adjusted
