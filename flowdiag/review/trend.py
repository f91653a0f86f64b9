"""Where use is going: the slope through the days, and when it will reach a threshold.

Each point is a day's nearest-rank 95th percentile of five-minute rates. A weekend is no trend, so each point is first
moved by how far its weekday usually lies from the line through all days. The slope is Theil and Sen's median of the slopes of all
pairs, with its interval of 95 % confidence (Sen 1968): a day out of line does not move it. It is what scipy.stats.theilslopes
gives, which a test holds it against; scipy takes a second to load, and milliseconds a trend.

The interval takes the days for independent of each other. A trend over a few weeks cannot tell growth from a season.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

DAYS_A_MONTH: Final = 30.4375  # a twelfth of a year of 365.25 days
CONFIDENCE: Final = 0.95
_Z: Final = 1.959963984540054  # standard normal, two-sided 95 %
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
    # The weekdays are told by the slope of all days, and the slope that counts by the days without them.
    adjusted = without_weekdays(days, points, median_slope(days, points))
    slope, low, high = theil_sen(days, adjusted)
    middle = float(np.median(days)), float(np.median(adjusted))
    return Trend(
        slope=slope * DAYS_A_MONTH,
        low=low * DAYS_A_MONTH,
        high=high * DAYS_A_MONTH,
        level_mbps=max(middle[1] + slope * (float(days[-1]) - middle[0]), 0.0),
        middle=middle,
        days=tuple(days.tolist()),
        points=tuple(points.tolist()),
    )


def theil_sen(days: NDArray[np.int64], points: NDArray[np.float64]) -> tuple[float, float, float]:
    """The median of the slopes of all pairs, a day, and the ends of its interval. days: each once; there are two at least."""
    slopes = np.sort(_slopes(days, points))
    count, pairs = len(days), len(slopes)
    # Variance of Kendall's statistic with ties among the points (Sen 1968, as scipy has it).
    _, tied = np.unique(points, return_counts=True)
    ties = int((tied * (tied - 1) * (2 * tied + 5)).sum())
    sigma = math.sqrt(max((count * (count - 1) * (2 * count + 5) - ties) / 18.0, 0.0))
    lower = max(int(np.round((pairs - _Z * sigma) / 2.0)) - 1, 0)
    upper = min(int(np.round((pairs + _Z * sigma) / 2.0)), pairs - 1)
    return float(np.median(slopes)), float(slopes[lower]), float(slopes[upper])


def _slopes(days: NDArray[np.int64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    earlier, later = np.triu_indices(len(days), 1)
    slopes: NDArray[np.float64] = (points[later] - points[earlier]) / (days[later] - days[earlier])
    return slopes


def median_slope(days: NDArray[np.int64], points: NDArray[np.float64]) -> float:
    """The median of the slopes of all pairs, a day: Theil and Sen's without its interval."""
    return float(np.median(_slopes(days, points)))


def without_weekdays(
    days: NDArray[np.int64], points: NDArray[np.float64], slope: float
) -> NDArray[np.float64]:
    """Each point less what its weekday's median lies above that of all. slope: a day, which is no part of that."""
    level = points - slope * (days - days[0])
    weekday = days % 7
    order = np.lexsort((level, weekday))
    counts = np.bincount(weekday, minlength=7)
    begins = np.cumsum(counts) - counts
    there = np.flatnonzero(counts)
    medians = np.zeros(7)
    low, high = begins + (counts - 1) // 2, begins + counts // 2
    medians[there] = (level[order[low[there]]] + level[order[high[there]]]) / 2.0
    adjusted: NDArray[np.float64] = points + (np.median(level) - medians[weekday])
    return adjusted
