"""How long from one probe to the next. Intervals by hand."""

from __future__ import annotations

import numpy as np

from flowdiag.aggregator.probe_pace import probe_intervals, steady_interval_ms


def test_intervals_of_mixed_records() -> None:
    """Two records of 3 packets over 20 s hold 10 s twice each, and 10 s lie between each and the next."""
    start, end = np.array([0, 30_000, 60_000]), np.array([20_000, 50_000, 60_000])
    found = probe_intervals(start, end, np.array([3.0, 3.0, 1.0]), connections=False)
    assert found.tolist() == [10_000.0] * 6


def pace(starts_s: list[float]) -> float | None:
    """Of records of one packet each."""
    start = np.array([round(1000 * at) for at in starts_s], np.int64)
    return steady_interval_ms(start, start, np.ones(len(start)), connections=False)


def test_seven_of_ten_intervals_within_a_fifth_of_the_median_are_steady() -> None:
    steps = [10.0] * 6 + [12.0] + [30.0] * 3
    assert pace([0.0, *np.cumsum(steps).tolist()]) == 10_000.0
    assert pace([0.0, *np.cumsum([*steps[:6], 12.1, *steps[7:]]).tolist()]) is None


def test_fewer_than_nine_intervals_say_nothing() -> None:
    assert pace([10.0 * number for number in range(10)]) == 10_000.0
    assert pace([10.0 * number for number in range(9)]) is None
