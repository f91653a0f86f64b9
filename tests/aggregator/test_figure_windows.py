"""Windows of figures and rates of windows covered in part; every figure is worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.figure_windows import figure_window_ms
from flowdiag.aggregator.usage import Usage, window_rates

MINUTE = 60_000
EXPORT = Coverage(
    records=100, first_ms=0, last_ms=600_000, heard=np.ones(10, np.bool_), losses=(), lost_records=0, lost_messages=0,
    lost_is_estimate=False, undecoded_records=0, sampling=1.0, resolution_s=10, resolution_known=True,
    links_apart=True, interface_names={}, remarks=(),
)  # fmt: skip


@pytest.mark.parametrize(
    ("resolution_s", "window_s"), [(1, 5), (5, 5), (9, 10), (10, 10), (20, 20), (31, 60), (60, 60), (300, 60)]
)
def test_a_short_export_is_judged_in_windows_as_short_as_it_resolves(
    resolution_s: int, window_s: int
) -> None:
    coverage = replace(EXPORT, resolution_s=resolution_s)
    assert figure_window_ms(coverage, (0, 600_000)) == window_s * 1000


def test_a_short_complaint_in_a_long_export_is_judged_alike() -> None:
    day = replace(EXPORT, last_ms=86_400_000)
    assert figure_window_ms(day, (0, 86_400_000)) == MINUTE
    assert figure_window_ms(day, (3_600_000, 3_600_000 + 29 * MINUTE)) == 10_000
    assert figure_window_ms(day, (3_600_000, 3_600_000 + 30 * MINUTE)) == MINUTE


def test_what_the_export_covers_of_a_long_question_counts() -> None:
    assert figure_window_ms(EXPORT, (-3_600_000, 3_600_000)) == 10_000


def test_a_sampled_export_is_too_rough_for_less_than_a_minute() -> None:
    assert figure_window_ms(replace(EXPORT, sampling=100.0), (0, 600_000)) == MINUTE


def test_a_window_covered_for_half_a_minute_is_rated_over_half_a_minute() -> None:
    # 30 seconds at 8 Mbit/s are 30,000,000 octets: over a whole minute they would read 4 Mbit/s.
    rates = window_rates(np.array([60e6, 30e6]), np.array([60_000, 30_000]), MINUTE)
    assert rates == pytest.approx([8.0, 8.0])


def test_a_moment_at_the_edge_has_one_rate_with_its_neighbour() -> None:
    # 6 s with 12 MB would be 16 Mbit/s; with the minute beside it 72 MB over 66 s, 8.727 Mbit/s.
    rates = window_rates(np.array([12e6, 60e6, 60e6]), np.array([6_000, 60_000, 60_000]), MINUTE)
    assert rates == pytest.approx([72e6 * 8 / 66 / 1e6] * 2 + [8.0])


def test_windows_that_are_not_covered_have_no_rate() -> None:
    assert window_rates(np.array([0.0, 60e6, 0.0]), np.array([0, 60_000, 0]), MINUTE).tolist() == [
        0.0,
        8.0,
        0.0,
    ]


def test_the_mean_over_the_covered_time_is_never_above_the_highest_window() -> None:
    draw = np.random.default_rng(7)
    for _ in range(200):
        inside = np.full(8, MINUTE)
        inside[0], inside[-1] = draw.integers(1, MINUTE, 2)
        octets = draw.random(8) * 1e6 * inside / MINUTE
        mean = octets.sum() * 8 / inside.sum() / 1000
        assert mean <= window_rates(octets, inside, MINUTE).max() * (1 + 1e-12)


def usage(octets: list[float]) -> Usage:
    wire = np.array(octets).reshape(1, 1, -1).repeat(2, axis=1)
    return Usage(0, MINUTE, ("fibre",), wire, wire, wire / 1000)


def test_the_first_and_the_last_window_of_an_export_count_with_their_covered_seconds() -> None:
    covered = usage([30e6, 60e6, 15e6]).covering((30_000, 135_000))
    assert covered.lengths_ms.tolist() == [30_000, 60_000, 15_000]
    assert covered.mbps(0, 0) == pytest.approx([8.0, 8.0, 8.0])


def test_an_export_of_a_moment_is_rated_over_five_seconds() -> None:
    # One packet of 1500 octets in a millisecond is no 12 Mbit/s.
    assert usage([1500.0]).covering((10, 11)).mbps(0, 0) == pytest.approx([1500 * 8 / 5 / 1e6])
