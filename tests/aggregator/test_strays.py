"""Days that belong to an export, and those so far from it that they are left out."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.aggregator.time_outliers import MAX_DAYS, Span, days_kept, without_time_outliers
from flowdiag.text.wording.coverage import told
from tests.aggregator.tables import START, build, int_array, up

DAY_S = 86_400
DAY_MS = 86_400_000


def kept(*days: tuple[int, int]) -> tuple[int, int]:
    """First and last day kept, of days and their numbers of flows."""
    return days_kept(int_array(*[day for day, _ in days]), int_array(*[count for _, count in days]))


def test_a_pause_of_a_week_does_not_part_an_export_and_a_longer_one_does() -> None:
    assert kept((0, 500), (1, 500), (8, 1)) == (0, 8)
    assert kept((0, 500), (1, 500), (9, 1)) == (0, 1)
    assert kept((0, 1), (7, 500), (8, 500)) == (0, 8)
    assert kept((0, 1), (8, 500), (9, 500)) == (8, 9)


def test_behind_a_pause_a_hundredth_of_the_largest_part_counts() -> None:
    assert kept((0, 1000), (20, 10)) == (0, 20)
    assert kept((0, 1000), (20, 9)) == (0, 0)
    # The part is measured, and not each of its days.
    assert kept((0, 600), (1, 400), (20, 5), (21, 5)) == (0, 21)


def test_a_usage_reaches_no_further_than_its_most_days_around_the_largest_part() -> None:
    assert kept((0, 5), (MAX_DAYS - 1, 5)) == (0, MAX_DAYS - 1)
    assert kept((0, 5), (MAX_DAYS, 5)) == (0, 0)
    assert kept((0, 5), (MAX_DAYS - 1, 6)) == (0, MAX_DAYS - 1)
    assert kept((0, 5), (MAX_DAYS, 6)) == (MAX_DAYS, MAX_DAYS)


def test_of_an_endless_part_the_last_days_are_kept() -> None:
    days = np.arange(2 * MAX_DAYS + 500)
    assert days_kept(days, np.ones(len(days), np.int64)) == (MAX_DAYS + 500, 2 * MAX_DAYS + 499)


@pytest.mark.parametrize(("days", "left_out"), [(7, 0), (8, 1)])
def test_one_flow_a_week_away_is_kept_and_one_further_away_is_left_out(days: int, left_out: int) -> None:
    rows = [up(src_port=port, start=port, end=port + 1) for port in range(1, 201)]
    flows, _, coverage = build([*rows, up(src_port=999, start=days * DAY_S, end=days * DAY_S)])
    assert len(flows) == 201 - left_out
    assert any("1 record " in note for note in told(coverage.remarks)) == bool(left_out), told(
        coverage.remarks
    )
    assert coverage.last_ms == START + (days * DAY_S * 1000 if not left_out else 201_000)


def test_a_flow_that_ends_a_week_after_all_others_began_is_left_out() -> None:
    flows, _, _ = build([up(src_port=port) for port in range(1, 201)])
    day = START // DAY_MS
    flows.end_ms[0] = (day + 7) * DAY_MS - 1
    flows.start_ms[1] -= 2 * DAY_MS  # so that there is something to look at
    flows.end_ms[1] = (day + 7) * DAY_MS
    left, outliers = without_time_outliers(flows)
    assert (len(left), outliers) == (199, 1)
    assert int(left.end_ms.max()) == (day + 7) * DAY_MS - 1


def test_a_span_is_that_of_the_days_kept_each_source_moved_by_its_own_clock() -> None:
    span = Span()
    today = 20_000 * DAY_MS
    source = np.array([0] * 150 + [1] * 150, np.int16)
    start = np.concatenate([today + 1000 + np.arange(150), today + 500 + np.arange(150)])
    span.add(source, start, start + 10)
    span.add(np.array([0, 1], np.int16), int_array(today + 20 * DAY_MS, 0), int_array(today + 20 * DAY_MS, 0))
    # Sound records are 300: two of a hundredth's less, one near 1970 and one in three weeks.
    assert span.settle(int_array(0, 700)) == (today + 1000, today + 500 + 149 + 10 + 700)
    assert span.outliers == 2


def test_a_span_of_nothing_is_none() -> None:
    assert Span().settle(int_array(0)) == (None, None)
