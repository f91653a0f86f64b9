"""The trend is Theil and Sen's slope with its interval: against scipy, against the definition, and by hand."""

from __future__ import annotations

from itertools import combinations
from math import sqrt

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm, theilslopes

from flowdiag.review.trend import (
    DAYS_A_MONTH,
    Months,
    Trend,
    daily_trend,
    median_slope,
    theil_sen,
    without_weekdays,
)


def noisy(days: int = 60, slope: float = 0.2) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    rng = np.random.default_rng(3)
    first = 20_514  # 2 March 2026, a Monday
    numbers = np.arange(first, first + days)
    weekend = np.where((numbers - first) % 7 >= 5, -15.0, 0.0)
    return numbers, 40 + slope * np.arange(days) + weekend + rng.normal(0, 2, days)


def trend_of(days: NDArray[np.int64], points: NDArray[np.float64]) -> Trend:
    found = daily_trend(days, points)
    assert found is not None
    return found


def adjusted(days: NDArray[np.int64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """The points without what their weekdays lie above the line through all."""
    return without_weekdays(days, points, theilslopes(points, days).slope)


def test_slope_and_interval_are_those_of_scipy() -> None:
    days, points = noisy()
    found = trend_of(days, points)
    wanted = theilslopes(adjusted(days, points), days, 0.95)
    assert found.slope / DAYS_A_MONTH == pytest.approx(wanted.slope, rel=1e-12)
    assert found.low / DAYS_A_MONTH == pytest.approx(wanted.low_slope, rel=1e-12)
    assert found.high / DAYS_A_MONTH == pytest.approx(wanted.high_slope, rel=1e-12)


def test_ties_narrow_the_interval_as_scipys() -> None:
    days, points = noisy(40, slope=0.0)
    points = np.round(points / 10.0)
    found, wanted = theil_sen(days, points), theilslopes(points, days, 0.95)
    assert found == pytest.approx((wanted.slope, wanted.low_slope, wanted.high_slope), abs=1e-12)


def test_the_slope_without_an_interval_is_scipys_too() -> None:
    days, points = noisy(45)
    assert median_slope(days, points) == pytest.approx(theilslopes(points, days).slope, rel=1e-12)


def test_slope_and_interval_are_those_of_the_definition() -> None:
    """Sen 1968: the median of the slopes of all pairs; its interval reaches z * sqrt(n(n-1)(2n+5)/18) ranks to both
    sides together (from memory).
    """
    days, points = noisy(30)
    values = adjusted(days, points)
    slopes = sorted((values[j] - values[i]) / (j - i) for i, j in combinations(range(30), 2))
    reach = norm.ppf(0.975) * sqrt(30 * 29 * 65 / 18)
    low = slopes[round((len(slopes) - reach) / 2) - 1]
    high = slopes[round((len(slopes) + reach) / 2)]
    found = trend_of(days, points)
    assert found.slope / DAYS_A_MONTH == pytest.approx(float(np.median(slopes)), rel=1e-9)
    assert found.low / DAYS_A_MONTH == pytest.approx(low, rel=1e-9)
    assert found.high / DAYS_A_MONTH == pytest.approx(high, rel=1e-9)


def test_a_straight_rise_of_a_megabit_a_week_by_hand() -> None:
    days = np.arange(20_514, 20_514 + 28)
    found = trend_of(days, 20.0 + np.arange(28) / 7)
    # 1 Mbit/s in 7 days is 30.4375 / 7 a month; the line's middle lies half of 27 days after 20 Mbit/s.
    assert found.slope == pytest.approx(4.348214, abs=1e-6)
    assert (found.low, found.high) == pytest.approx((found.slope, found.slope))
    assert found.middle == pytest.approx((20_527.5, 20 + 13.5 / 7))
    assert found.level_mbps == pytest.approx(20 + 27 / 7)


def test_weekends_are_no_trend() -> None:
    days, points = noisy(60, slope=0.0)
    found = trend_of(days, points)
    assert found.low < 0 < found.high
    assert abs(found.percent(found.slope)) < 3


def test_one_day_out_of_line_does_not_move_it() -> None:
    days, points = noisy()
    before = trend_of(days, points)
    points[40] = 500.0
    assert trend_of(days, points).slope == pytest.approx(before.slope, rel=0.1)


def test_three_weeks_are_needed() -> None:
    days, points = noisy(20)
    assert daily_trend(days, points) is None


def test_months_until_a_threshold_by_hand() -> None:
    trend = Trend(4.0, 2.0, 8.0, 50.0, (0.0, 50.0), (), ())
    assert trend.months_until(70.0, 50.0) == Months(5.0, 2.5, 10.0)
    assert trend.months_until(70.0, 80.0) == Months(0.0, 0.0, 0.0)
    assert Trend(4.0, -1.0, 8.0, 50.0, (0.0, 50.0), (), ()).months_until(70.0, 50.0) == Months(5.0, 2.5, None)
    assert trend.percent(4.0) == 8.0
    assert trend.is_sure
