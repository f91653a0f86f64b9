"""Wilson's interval, by hand and against scipy."""

from __future__ import annotations

import pytest
from scipy.stats import binomtest

from tests.scenarios.wilson import wilson


def test_nine_of_ten_by_hand() -> None:
    """z 2: weight 4/10; middle (0.9 + 0.2) / 1.4 = 0.785714; half 2/1.4 * sqrt(0.009 + 0.01) = 0.196915."""
    low, high = wilson(9, 10, z=2.0)
    assert low == pytest.approx(0.588799, abs=1e-6)
    assert high == pytest.approx(0.982629, abs=1e-6)


def test_all_right_is_not_certain() -> None:
    """The lower end of n of n is n / (n + z^2): 100 / 104 for z 2."""
    assert wilson(100, 100, z=2.0) == pytest.approx((100 / 104, 1.0))
    assert wilson(0, 100, z=2.0) == pytest.approx((0.0, 4 / 104))


def test_nothing_drawn_says_nothing() -> None:
    assert wilson(0, 0) == (0.0, 1.0)


@pytest.mark.parametrize(("right", "draws"), [(0, 1), (1, 1), (3, 7), (199, 200), (995, 1000), (2999, 3000)])
def test_the_interval_is_that_of_scipy(right: int, draws: int) -> None:
    theirs = binomtest(right, draws).proportion_ci(confidence_level=0.95, method="wilson")
    assert wilson(right, draws) == pytest.approx((theirs.low, theirs.high), abs=1e-9)
