"""Spreading: conservation, hand-computed cases, and the same windows as a brute-force loop."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from flowdiag.aggregator.chunks import STEP_ROWS
from flowdiag.aggregator.spread import WindowGrid, bounds, part_inside, spread, touched
from tests.aggregator.tables import int_array

GRID = WindowGrid(0, 60_000, 5)


def spread_one(start: int, end: int, octets: float, grid: WindowGrid = GRID) -> list[float]:
    found: list[float] = spread(int_array(start), int_array(end), [np.array([octets])], grid)[0, 0].tolist()
    return found


def test_a_flow_within_a_window_falls_there() -> None:
    assert spread_one(61_000, 119_999, 500) == [0, 500, 0, 0, 0]


def test_a_flow_across_an_edge_is_split_by_time() -> None:
    assert spread_one(45_000, 75_000, 3000) == [1500, 1500, 0, 0, 0]


def test_a_long_flow_gives_each_whole_window_the_same() -> None:
    # 30 s + 60 s + 60 s + 30 s of a flow of 180 s and 1800 octets
    assert spread_one(30_000, 210_000, 1800) == pytest.approx([300, 600, 600, 300, 0], rel=1e-12)


def test_a_flow_that_ends_on_an_edge_gives_the_next_window_nothing() -> None:
    assert spread_one(0, 60_000, 77) == [77, 0, 0, 0, 0]


def test_a_flow_without_duration_falls_in_the_window_of_its_start() -> None:
    assert spread_one(60_000, 60_000, 40) == [0, 40, 0, 0, 0]
    assert spread_one(59_999, 59_999, 40) == [40, 0, 0, 0, 0]


def test_only_the_part_in_the_grid_counts() -> None:
    assert spread_one(-60_000, 60_000, 100) == [50, 0, 0, 0, 0]
    assert spread_one(270_000, 330_000, 100) == [0, 0, 0, 0, 50]
    assert spread_one(300_000, 300_000, 100) == [0, 0, 0, 0, 0]


def test_series_are_kept_apart_and_negative_ones_left_out() -> None:
    start, end = int_array(0, 0, 0), int_array(120_000, 60_000, 60_000)
    octets = np.array([200.0, 7.0, 9.0])
    found = spread(start, end, [octets], GRID, np.array([1, 0, -1]), 2)[0]
    assert found.tolist() == [[7, 0, 0, 0, 0], [100, 100, 0, 0, 0]]


def test_windows_that_no_flow_touches_are_exactly_zero_beside_enormous_flows() -> None:
    start, end = int_array(10_000, 250_000), int_array(180_000, 260_000)
    found = spread(start, end, [np.array([1e17 + 0.3, 3.0])], GRID)[0, 0]
    assert found[3] == 0.0
    assert (found >= 0).all()


def test_small_flows_keep_their_windows_beside_an_enormous_one() -> None:
    # 30 flows of 5 octets, one octet a window, beside one whose rounding alone is larger than that.
    start, end = int_array(0, *[0] * 30), int_array(60_000, *[300_000] * 30)
    found = spread(start, end, [np.array([2.0**54, *[5.0] * 30])], GRID, np.array([0] + [1] * 30), 2)[0]
    assert found[1] == pytest.approx([30] * 5, rel=1e-12)


@st.composite
def flows(
    draw: st.DrawFn,
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]]:
    rows = draw(
        st.lists(
            st.tuples(
                st.integers(-200, 1200), st.integers(0, 900), st.integers(0, 10**12), st.integers(-1, 2)
            ),
            max_size=30,
        )
    )
    start = np.array([row[0] for row in rows], np.int64)
    end = start + np.array([row[1] for row in rows], np.int64)
    return start, end, np.array([row[2] for row in rows], float), np.array([row[3] for row in rows], np.int64)


def brute_force(start: int, end: int, octets: float, low: int, high: int) -> Fraction:
    """What of a flow falls in [low, high), exactly."""
    if end == start:
        return Fraction(octets) if low <= start < high else Fraction(0)
    overlap = max(min(end, high) - max(start, low), 0)
    return Fraction(octets) * Fraction(overlap, end - start)


@given(flows(), st.integers(1, 150))
def test_windows_equal_those_of_a_loop_over_flows_and_windows(
    some: tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]], window: int
) -> None:
    start, end, octets, series = some
    grid = WindowGrid(0, window, -(-1000 // window))
    found = spread(start, end, [octets], grid, series, 3)[0]
    scale = max(float(octets.sum()), 1.0)
    for number in range(3):
        for place in range(grid.windows):
            low = place * window
            wanted = sum(
                brute_force(s, e, o, low, low + window)
                for s, e, o, of in zip(
                    start.tolist(), end.tolist(), octets.tolist(), series.tolist(), strict=True
                )
                if of == number
            )
            assert math.isclose(found[number, place], wanted, rel_tol=1e-9, abs_tol=1e-12 * scale)
            if not wanted:
                assert found[number, place] == 0.0


@given(flows())
def test_windows_sum_to_the_total(
    some: tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]],
) -> None:
    start, end, octets, _ = some
    if len(start):
        grid = WindowGrid.covering(int(start.min()), int(end.max()) + 1, 7)
        assert spread(start, end, [octets], grid).sum() == pytest.approx(octets.sum(), rel=1e-9)


def test_many_chunks_conserve_too() -> None:
    rng = np.random.default_rng(5)
    start = rng.integers(0, 10**7, 3 * STEP_ROWS)
    end = start + rng.integers(0, 10**6, len(start))
    octets = rng.integers(40, 10**9, len(start)).astype(float)
    grid = WindowGrid.covering(0, int(end.max()) + 1, 60_000)
    assert spread(start, end, [octets], grid).sum() == pytest.approx(octets.sum(), rel=1e-12)


def test_the_parts_of_a_flow_inside_are_by_time() -> None:
    start, end = int_array(0, 50, 100, 30), int_array(100, 150, 100, 30)
    assert part_inside(start, end, 25, 100).tolist() == [0.75, 0.5, 0.0, 1.0]
    assert part_inside(start, end, int(start.min()), int(end.max()) + 1).tolist() == [1.0] * 4
    # An instant at the end of a half-open span lies outside.
    assert part_inside(np.array([0, 9]), np.array([9, 9]), 0, 9).tolist() == [1.0, 0.0]


def test_bounds_are_the_flows_inside_and_those_that_touch() -> None:
    start, end = int_array(1_000, 50_000, 60_000), int_array(2_000, 130_000, 60_000)
    least, most = bounds(start, end, np.array([10.0, 800.0, 3.0]), GRID)
    assert least[0].tolist() == [10, 3, 0, 0, 0]
    assert most[0].tolist() == pytest.approx([810, 803, 800, 0, 0], rel=1e-12)


@given(flows(), st.integers(20, 150))
def test_the_even_spread_lies_between_the_bounds(
    some: tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]], window: int
) -> None:
    start, end, octets, series = some
    grid = WindowGrid(0, window, -(-1000 // window))
    even = spread(start, end, [octets], grid, series, 3)[0]
    least, most = bounds(start, end, octets, grid, series, 3)
    slack = 1e-9 * max(float(octets.sum()), 1.0)
    assert (least <= even + slack).all()
    assert (even <= most + slack).all()


def test_touched_windows_are_those_that_a_flow_covers() -> None:
    found = touched(int_array(-5, 130_000, 240_000), int_array(1, 180_000, 240_000), GRID)
    assert found.tolist() == [True, False, True, False, True]


def test_a_grid_stands_on_whole_multiples() -> None:
    assert WindowGrid.covering(61_000, 180_000, 60_000) == WindowGrid(60_000, 60_000, 2)
    assert WindowGrid.covering(61_000, 180_001, 60_000).windows == 3
    assert WindowGrid.covering(-1, 0, 60_000) == WindowGrid(-60_000, 60_000, 1)


def test_the_last_millisecond_of_a_flow_falls_where_it_lies() -> None:
    """A flow of 60,001 octets and as many ms reaches one ms into the second window."""
    assert spread_one(0, 60_001, 60_001) == pytest.approx([60_000, 1, 0, 0, 0], rel=1e-12)
    assert spread_one(59_999, 120_001, 60_002) == pytest.approx([1, 60_000, 1, 0, 0], rel=1e-12)


@pytest.mark.parametrize(
    ("end", "least", "most"),
    [
        (59_999, [9, 0, 0, 0, 0], [9, 0, 0, 0, 0]),
        (60_000, [9, 0, 0, 0, 0], [9, 0, 0, 0, 0]),
        (60_001, [0, 0, 0, 0, 0], [9, 9, 0, 0, 0]),
        (120_000, [0, 0, 0, 0, 0], [9, 9, 0, 0, 0]),
        (300_000, [0, 0, 0, 0, 0], [9, 9, 9, 9, 9]),
    ],
)
def test_a_flow_touches_windows_up_to_its_last_millisecond(
    end: int, least: list[float], most: list[float]
) -> None:
    lower, upper = bounds(int_array(0), int_array(end), np.array([9.0]), GRID)
    assert lower[0].tolist() == least
    assert upper[0] == pytest.approx(most)
    assert touched(int_array(0), int_array(end), GRID).tolist() == [value > 0 for value in most]


def test_a_flow_without_duration_touches_the_window_of_its_millisecond_alone() -> None:
    for at, window in ((59_999, 0), (60_000, 1), (299_999, 4)):
        only = [9.0 * (number == window) for number in range(5)]
        lower, upper = bounds(int_array(at), int_array(at), np.array([9.0]), GRID)
        assert (lower[0].tolist(), upper[0].tolist()) == (only, pytest.approx(only))
        assert touched(int_array(at), int_array(at), GRID).tolist() == [value > 0 for value in only]
