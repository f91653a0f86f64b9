"""Figures of a window, worked out by hand: minutes of 5, 10, ... 100 Mbit/s on a line of 100."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from msgspec.structs import astuple

from flowdiag.aggregator.carried import FlowsCarried
from flowdiag.aggregator.figures import DirectionFigures
from flowdiag.aggregator.link_figures import covered_part_ms, link_figures
from tests.aggregator.tables import LAN, LTE, MINUTE, START, Row, build, down, site, two_links, up

FROM = START + MINUTE  # a whole five minutes since 1970
MBPS_MINUTE = 7_500_000  # octets of 1 Mbit/s in a minute
STAIRS = [
    down(start=60 * minute, end=60 * minute + 60, octets=5 * minute * MBPS_MINUTE) for minute in range(1, 21)
]


def figures(
    begin_s: float, end_s: float, rows: list[Row] = STAIRS, silent: tuple[int, ...] = ()
) -> DirectionFigures:
    """Of the downloads, from and to seconds after FROM; silent: minutes in which the exporter was not heard."""
    flows, usage, _ = build(rows)
    heard = np.ones(usage.windows, np.bool_)
    heard[list(silent)] = False
    window = (FROM + round(begin_s * 1000), FROM + round(end_s * 1000))
    (link,) = link_figures(usage, FlowsCarried(flows, site()), site(), window, heard)
    assert link.up.octets == 0
    return link.down


def test_of_a_whole_export() -> None:
    found = figures(0, 1200)
    # Five minutes have 15, 40, 65 and 90 Mbit/s: of four, the 95th percentile is the highest. Busy from 70, full from 90.
    assert astuple(found) == pytest.approx(
        (100, 52.5, 90, 100, 1050 * MBPS_MINUTE, 7, 3, FROM + 19 * MINUTE, 60)
    )


def test_what_lies_around_the_export_is_no_part_of_the_mean() -> None:
    assert figures(-3600, 7200) == figures(0, 1200)
    assert figures(-3600, 600).mean_mbps == pytest.approx(27.5)
    assert figures(600, 7200).mean_mbps == pytest.approx(77.5)


def test_a_window_of_centuries_has_the_same_figures_in_little_memory() -> None:
    tracemalloc.start()
    assert figures(-2e9, 2e9) == figures(0, 1200)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 10 << 20


def test_a_window_that_cuts_minutes_has_their_parts() -> None:
    found = figures(30, 90)
    octets = (5 + 10) * MBPS_MINUTE // 2
    # Half a minute of 5 and half of 10; too short for five minutes, so that the percentile is one of these.
    assert astuple(found) == pytest.approx((100, 7.5, 10, 10, octets, 0, 0, FROM + MINUTE, 30))
    assert figures(1110, 1170).full_minutes == 1  # half of 95 and half of 100
    assert figures(1050, 1185).full_minutes == 2.25  # half of 90, 95, three quarters of 100
    assert figures(735, 825).busy_minutes == 0.75  # 65 for 45 s and 70 for as long


def test_less_than_half_a_minute_at_an_edge_has_one_rate_with_its_neighbour() -> None:
    found = figures(795, 855)  # 70 for 45 s and 75 for 15 s
    assert (found.peak_mbps, found.mean_mbps) == (pytest.approx(71.25), pytest.approx(71.25))
    assert (found.busy_minutes, found.peak_ms) == (1, FROM + 795_000)


def test_a_window_within_a_minute_has_its_rate() -> None:
    found = figures(130, 140)
    assert astuple(found) == pytest.approx((100, 15, 15, 15, 15 * MBPS_MINUTE // 6, 0, 0, FROM + 130_000, 10))


def test_before_and_after_the_export_there_is_nothing() -> None:
    for begin, end in ((-600, 0), (1200, 1800)):
        found = figures(begin, end)
        assert (found.mean_mbps, found.peak_mbps, found.octets, found.full_minutes) == (0, 0, 0, 0)
        assert (found.peak_ms, found.peak_window_s) == (FROM + begin * 1000, end - begin)


def test_silent_minutes_are_not_judged() -> None:
    found = figures(0, 1200, silent=(18, 19))
    assert (found.peak_mbps, found.peak_ms) == (pytest.approx(90), FROM + 17 * MINUTE)
    assert (found.busy_minutes, found.full_minutes) == (5, 1)
    assert found.mean_mbps == pytest.approx(52.5)
    # Five minutes count where half of them were heard: three of the last do, and two would not.
    assert found.p95_mbps == pytest.approx(90)
    assert figures(0, 1200, silent=(17, 18, 19)).p95_mbps == pytest.approx(65)


def test_an_export_that_begins_within_a_minute_has_the_rate_of_what_it_covers() -> None:
    rows = [
        down(start=75, end=120, octets=20 * MBPS_MINUTE),
        down(start=120, end=150, octets=6 * MBPS_MINUTE),
    ]
    found = figures(-60, 300, rows)
    # 20 Mbit in 45 s are 26.67 Mbit/s, 6 in 30 s are 12; 26 in 75 s on average.
    assert (found.peak_mbps, found.mean_mbps) == (pytest.approx(20 * 60 / 45), pytest.approx(26 * 60 / 75))
    assert (found.peak_ms, found.peak_window_s) == (FROM + 15_000, 45)
    _, usage, _ = build(rows)
    assert covered_part_ms(usage, (FROM, FROM + 300_000)) == 75_000
    assert covered_part_ms(usage, (FROM + 20_000, FROM + 30_000)) == 10_000
    assert covered_part_ms(usage, (FROM + 400_000, FROM + 410_000)) == 10_000


def test_links_and_directions_are_kept_apart() -> None:
    rows = [
        down(start=60, end=120, octets=1 * MBPS_MINUTE),
        up(start=60, end=120, octets=2 * MBPS_MINUTE),
        down(start=60, end=120, octets=3 * MBPS_MINUTE, ingress_interface=LTE),
        up(start=60, end=120, octets=4 * MBPS_MINUTE, egress_interface=LTE),
        down(start=60, end=120, octets=5 * MBPS_MINUTE, ingress_interface=LAN, src_address="192.168.40.7"),
    ]
    profile = site(two_links())
    flows, usage, _ = build(rows, profile)
    found = link_figures(usage, FlowsCarried(flows, profile), profile, (FROM, FROM + MINUTE))
    assert [(link.name, link.role) for link in found] == [("fibre", "primary"), ("lte", "backup")]
    assert [way.mean_mbps for link in found for way in (link.down, link.up)] == pytest.approx([1, 2, 3, 4])
    assert [way.capacity_mbps for link in found for way in (link.down, link.up)] == [100, 40, 30, 5]
