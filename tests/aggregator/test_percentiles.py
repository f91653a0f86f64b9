"""Nearest-rank percentiles against their definition and numpy's."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.aggregator.percentiles import nearest_rank


def test_of_twenty_values_the_95th_percentile_is_the_nineteenth() -> None:
    assert nearest_rank(np.arange(1.0, 21.0), 95) == 19.0


def test_a_month_of_five_minute_rates_leaves_out_its_highest_36_hours() -> None:
    # 30 days have 8640 five-minute rates; 5 % of them, 432, are 36 hours (transit billing, common practice)
    assert nearest_rank(np.arange(8640.0), 95) == 8640 - 432 - 1


def test_without_values_it_is_zero() -> None:
    assert nearest_rank(np.zeros(0), 95) == 0.0


@given(st.lists(st.floats(0, 1e6), min_size=1, max_size=200), st.integers(1, 100))
def test_it_is_numpys_inverted_cdf(values: list[float], percent: int) -> None:
    # Hyndman and Fan 1996, definition 1
    found = nearest_rank(np.array(values), float(percent))
    assert found == np.percentile(values, percent, method="inverted_cdf")
