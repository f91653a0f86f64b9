"""Which hours sums stand for: those in which only flows can have ended that lie wholly in a window."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.durations import HOUR_MS, MINUTE_MS
from flowdiag.rollup.hours import whole_hours

NINE = 9 * HOUR_MS


def test_the_hours_of_an_odd_window() -> None:
    """09:10 to 13:50 with records of 30 minutes at most: what ended from 10:00 on began at 09:30 or later."""
    hours = whole_hours([(NINE + 10 * MINUTE_MS, 13 * HOUR_MS + 50 * MINUTE_MS)], 30 * MINUTE_MS)
    assert hours.has(np.arange(8, 15)).tolist() == [False, False, True, True, True, False, False]
    assert hours.beside(NINE, 14 * HOUR_MS) == [(NINE, 10 * HOUR_MS), (13 * HOUR_MS, 14 * HOUR_MS)]


def test_a_record_as_long_as_the_way_to_the_hour_lies_in_the_window() -> None:
    to_the_hour = whole_hours([(NINE + 10 * MINUTE_MS, 12 * HOUR_MS)], 50 * MINUTE_MS)
    longer = whole_hours([(NINE + 10 * MINUTE_MS, 12 * HOUR_MS)], 50 * MINUTE_MS + 1)
    assert to_the_hour.has(np.array([10, 11])).tolist() == [True, True]
    assert longer.has(np.array([10, 11])).tolist() == [False, True]


def test_a_window_without_a_whole_hour_has_none() -> None:
    hours = whole_hours([(NINE + 1, NINE + HOUR_MS)], 0)
    assert len(hours) == 0
    assert hours.beside(NINE, NINE + HOUR_MS) == [(NINE, NINE + HOUR_MS)]


def test_each_window_within_a_ranking_has_its_own() -> None:
    """Of records of up to 20 minutes, those that ended in the first hour of a window may have begun in the one before."""
    windows = [(NINE, NINE + 3 * HOUR_MS), (NINE + 3 * HOUR_MS, NINE + 6 * HOUR_MS)]
    hours = whole_hours(windows, 20 * MINUTE_MS)
    assert hours.has(np.arange(9, 15)).tolist() == [False, True, True, False, True, True]
    assert hours.without(np.array([10, 3])).has(np.arange(9, 12)).tolist() == [False, False, True]


@given(
    begin=st.integers(0, 50 * HOUR_MS),
    length=st.integers(1, 30 * HOUR_MS),
    longest=st.integers(0, 3 * HOUR_MS),
)
def test_every_moment_is_in_one_hour_or_beside_them(begin: int, length: int, longest: int) -> None:
    hours = whole_hours([(begin, begin + length)], longest)
    beside = hours.beside(begin, begin + length)
    covered = len(hours) * HOUR_MS + sum(high - low for low, high in beside)
    assert covered == length
    first = np.flatnonzero(hours.taken)
    if len(first):
        assert (hours.first + int(first[0])) * HOUR_MS - longest >= begin
        assert (hours.first + int(first[-1]) + 1) * HOUR_MS <= begin + length
