"""Sets of times against sets of single milliseconds."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.aggregator.intervals import Intervals

spans = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), max_size=6)


def points(intervals: Intervals) -> set[int]:
    return {moment for start, end in intervals for moment in range(start, end)}


@given(spans, spans, st.integers(0, 40), st.integers(0, 40))
def test_operations_equal_those_on_sets_of_points(
    one: list[tuple[int, int]], other: list[tuple[int, int]], low: int, high: int
) -> None:
    a, b = Intervals.of(one), Intervals.of(other)
    all_points = {moment for start, end in one for moment in range(start, end)}
    window = set(range(low, high))
    assert points(a) == all_points
    assert points(a.union(b)) == points(a) | points(b)
    assert points(a.intersection(b)) == points(a) & points(b)
    assert points(a.clip(low, high)) == points(a) & window
    assert points(a.gaps(low, high)) == window - points(a)
    assert a.total_ms == len(points(a))
    assert all(a.contains(moment) == (moment in points(a)) for moment in range(-1, 42))


@given(spans)
def test_spans_are_sorted_disjoint_and_apart(some: list[tuple[int, int]]) -> None:
    edges = [edge for span in Intervals.of(some) for edge in span]
    assert edges == sorted(set(edges))


def test_gaps_up_to_a_length_are_bridged() -> None:
    some = Intervals.of([(0, 10), (15, 20), (26, 30)])
    assert some.bridge(5).spans == ((0, 20), (26, 30))
    assert some.bridge(6).spans == ((0, 30),)


def test_short_intervals_can_be_left_out() -> None:
    assert Intervals.of([(0, 2), (5, 9)]).at_least(4).spans == ((5, 9),)


def test_windows_of_a_mask() -> None:
    mask = np.array([True, True, False, True])
    assert Intervals.from_mask(mask, 100, 10).spans == ((100, 120), (130, 140))
