"""The fine grid: presence, starts and even spreading, against plain Python."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.diagnoser.signals.timeline import Grid, runs

records = st.lists(
    st.tuples(st.integers(-5_000, 25_000), st.integers(0, 20_000), st.integers(1, 10_000)),
    min_size=1,
    max_size=12,
)


def columns(rows: list[tuple[int, int, int]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    start = np.array([row[0] for row in rows], np.int64)
    return (
        start,
        start + np.array([row[1] for row in rows], np.int64),
        np.array([row[2] for row in rows], float),
    )


def test_a_record_over_two_and_a_half_bins_is_spread_by_time() -> None:
    grid = Grid(0, 1000, 5)
    spread = grid.spread(np.array([500]), np.array([3000]), np.array([2500.0]))
    assert np.allclose(spread, [500, 1000, 1000, 0, 0])


def test_a_record_that_begins_before_the_grid_gives_only_its_part() -> None:
    grid = Grid(10_000, 1000, 2)
    assert np.allclose(grid.spread(np.array([9000]), np.array([11_000]), np.array([200.0])), [100, 0])


@given(records)
def test_spreading_agrees_with_plain_python(rows: list[tuple[int, int, int]]) -> None:
    grid = Grid(0, 1000, 20)
    start, end, values = columns(rows)
    expected = np.zeros(20)
    for begin, stop, value in zip(start.tolist(), end.tolist(), values.tolist(), strict=True):
        stop = max(stop, begin + 1)
        for place in range(20):
            overlap = min(stop, (place + 1) * 1000) - max(begin, place * 1000)
            expected[place] += value * max(overlap, 0) / (stop - begin)
    assert np.allclose(grid.spread(start, end, values), expected, atol=1e-6 * values.sum())


@given(records)
def test_covering_and_starting_agree_with_plain_python(rows: list[tuple[int, int, int]]) -> None:
    grid = Grid(0, 1000, 20)
    start, end, _ = columns(rows)
    touched, begun = np.zeros(20, int), np.zeros(20, int)
    for begin, stop in zip(start.tolist(), end.tolist(), strict=True):
        for place in range(20):
            touched[place] += begin < (place + 1) * 1000 and stop >= place * 1000
            begun[place] += place * 1000 <= begin < (place + 1) * 1000
    assert grid.covering(start, end).tolist() == touched.tolist()
    assert grid.starting(start).tolist() == begun.tolist()


def test_runs_are_half_open() -> None:
    assert runs(np.array([True, True, False, True])) == [(0, 2), (3, 4)]
    assert runs(np.zeros(3, np.bool_)) == []
