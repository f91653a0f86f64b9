"""Rates of windows that the export covers in part, and the shape that holds them."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.aggregator.usage import Usage, window_rates
from tests.aggregator.tables import int_array

MBPS_SECOND = 125_000  # octets of 1 Mbit/s in a second
GRID = 1_772_000_040_000


def usage(windows: int = 3, window_ms: int = 10_000) -> Usage:
    """Two links whose octets are all of 1 Mbit/s, but for the second link's upload, which rises."""
    octets = np.full((2, 2, windows), window_ms / 1000 * MBPS_SECOND)
    octets[1, 1] *= 1 + np.arange(windows)
    return Usage(GRID, window_ms, ("fibre", "lte"), octets, octets, octets)


def rates(octets: list[float], inside_s: list[float]) -> list[float]:
    inside = int_array(*[round(seconds * 1000) for seconds in inside_s])
    found: list[float] = window_rates(np.array(octets) * MBPS_SECOND, inside, 10_000).tolist()
    return found


def test_a_rate_is_that_of_the_part_that_counts() -> None:
    assert rates([50, 100, 20], [10, 10, 10]) == pytest.approx([5, 10, 2])
    assert rates([50, 100, 20], [5, 10, 8]) == pytest.approx([10, 10, 2.5])
    assert rates([7], [1]) == pytest.approx([7])


def test_less_than_half_a_window_at_an_end_is_rated_with_its_neighbour() -> None:
    assert rates([50, 100, 20], [4.999, 10, 10])[:2] == pytest.approx([150 / 14.999] * 2)
    assert rates([50, 100, 20], [10, 10, 4.999])[1:] == pytest.approx([120 / 14.999] * 2)
    assert rates([30, 100, 100, 40], [3, 10, 10, 4]) == pytest.approx([10, 10, 10, 10])
    # In the middle a window is what it is.
    assert rates([50, 30, 20], [10, 3, 10]) == pytest.approx([5, 10, 2])


def test_where_nothing_counts_there_is_no_rate() -> None:
    assert rates([9, 50, 100, 9], [0, 5, 10, 0]) == pytest.approx([0, 10, 10, 0])
    assert rates([9, 20, 100, 30, 9], [0, 2, 10, 3, 0]) == pytest.approx(
        [0, 10, 130 / 13, 130 / 13, 0], abs=0.01
    )
    assert rates([9, 9], [0, 0]) == [0, 0]


def test_windows_have_their_times_and_rates_by_link_and_direction() -> None:
    some = usage()
    assert (some.windows, some.end_ms, some.times(1, 3)) == (3, GRID + 30_000, (GRID + 10_000, GRID + 30_000))
    assert some.mbps(0, 0).tolist() == pytest.approx([1, 1, 1])
    assert some.mbps(1, 1).tolist() == pytest.approx([1, 2, 3])
    assert some.lengths_ms.tolist() == [10_000] * 3


@pytest.mark.parametrize(
    ("begin", "end", "lengths"),
    [
        (0, 30_000, None),  # all of it: nothing to remember
        (-5, 30_001, None),
        (1, 30_000, [9_999, 10_000, 10_000]),
        (0, 29_999, [10_000, 10_000, 9_999]),
        (12_000, 18_000, [0, 6_000, 0]),
        (12_000, 12_001, [0, 5_000, 0]),  # five seconds at least
        (8_000, 8_000, [2_000, 3_000, 0]),
        (-20_000, -16_000, [0, 0, 0]),
    ],
)
def test_what_an_export_covers_of_each_window(begin: int, end: int, lengths: list[int] | None) -> None:
    some = usage()
    covered = some.covering((GRID + begin, GRID + end))
    assert (covered is some) == (lengths is None)
    if lengths is not None:
        assert covered.lengths_ms.tolist() == lengths
