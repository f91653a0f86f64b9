"""What is usual at an hour of a weekday. Rates by hand; 2 March 2026 is a Monday."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from scipy import stats

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.signals.baseline import usual
from flowdiag.text.sentences.load import compared
from tests.diagnoser.building import Book, ms, profile

DAY = 86_400
MBPS_MINUTE = 7_500_000
HOUR = 3600


def month(*, zone_days: int = 22, rates: list[float] | None = None) -> Book:
    """An hour of traffic at 10:00 every day; the rate of day n is rates[n], 10 Mbit/s where not given."""
    book = Book()
    for day in range(zone_days):
        rate = rates[day] if rates else 10.0
        book.row(day * DAY, day * DAY + HOUR, way=DOWN, octets=rate * MBPS_MINUTE * 60)
    return book


def test_the_same_weekdays_are_compared_by_median_and_mad() -> None:
    rates = [10.0] * 22
    rates[0], rates[7], rates[14], rates[21] = 8.0, 12.0, 11.0, 33.0
    case = month(rates=rates).case(profile(backup=False))
    habit = usual(case, 0, DOWN, ms(21 * DAY), ms(21 * DAY + HOUR))
    assert habit is not None
    assert habit.same_weekday
    assert habit.days == 3
    assert habit.median_mbps == pytest.approx(11.0)
    assert habit.mad_mbps == pytest.approx(stats.median_abs_deviation([8.0, 12.0, 11.0]))
    assert habit.times(33.0) == pytest.approx(3.0)
    assert habit.is_unusual(33.0)
    assert compared(habit, 33.0) == " That is about three times the usual for a Monday morning."


def test_with_one_such_weekday_the_workdays_stand_in() -> None:
    # The eighth day, a Monday: one Monday and four other workdays before it.
    case = month(zone_days=8).case(profile(backup=False))
    habit = usual(case, 0, DOWN, ms(7 * DAY), ms(7 * DAY + HOUR))
    assert habit is not None
    assert (habit.same_weekday, habit.days) == (False, 5)
    assert compared(habit, 20.0) == " That is about twice the usual for a weekday morning."


def test_one_earlier_day_is_no_habit() -> None:
    case = month(zone_days=2).case(profile(backup=False))
    assert usual(case, 0, DOWN, ms(DAY), ms(DAY + HOUR)) is None
    assert compared(None, 5.0) == ""


def test_days_on_which_the_exporter_was_silent_do_not_count() -> None:
    case = month(zone_days=4).case(profile(backup=False), heard=[(2 * DAY, 4 * DAY)])
    assert usual(case, 0, DOWN, ms(3 * DAY), ms(3 * DAY + HOUR)) is None


def test_what_is_within_three_deviations_is_called_usual() -> None:
    rates = [10.0] * 22
    rates[0], rates[7], rates[14] = 6.0, 10.0, 14.0
    case = month(rates=rates).case(profile(backup=False))
    habit = usual(case, 0, DOWN, ms(21 * DAY), ms(21 * DAY + HOUR))
    # 10 + 3 x 1.4826 x 4 = 27.8
    assert habit is not None
    assert not habit.is_unusual(27.0)
    assert habit.is_unusual(28.0)
    assert "about what is usual" in compared(habit, 20.0)


def test_clock_times_are_compared_across_a_change_of_daylight_saving() -> None:
    zone = ZoneInfo("Europe/Berlin")
    zero = datetime(2026, 3, 2, 10, tzinfo=UTC)
    book = Book()
    days = []
    for date in (16, 17, 18, 19, 20, 23, 24, 25, 26, 27, 30):  # summer time begins on the 29th
        local = datetime(2026, 3, date, 14, tzinfo=zone)
        start = (local - zero).total_seconds()
        days.append(start)
        book.row(start, start + HOUR, way=DOWN, octets=10 * MBPS_MINUTE * 60)
    site = profile(backup=False)
    site = site.model_copy(update={"site": site.site.model_copy(update={"timezone": "Europe/Berlin"})})
    habit = usual(book.case(site), 0, DOWN, ms(days[-1]), ms(days[-1] + HOUR))
    assert habit is not None
    assert habit.median_mbps == pytest.approx(10.0)
    assert np.isclose(habit.mad_mbps, 0.0)
