"""The windows that hold an export, and what an export of nothing or of many days gives."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.aggregator.build import HEARD_BEYOND_MS, build_case_data, build_usage, flow_grid
from flowdiag.aggregator.spread import WindowGrid
from flowdiag.collector.report import ExportReport
from flowdiag.site.profile import Link
from flowdiag.text.wording.coverage import told
from tests.aggregator.tables import MINUTE, START, Row, build, down, int_array, site, two_links, up

DAY_S = 86_400


def grid(rows: list[Row], *heard: int) -> tuple[int, int]:
    """Begin in minutes after START, and minutes, of the windows; heard: starts of minutes likewise."""
    found = flow_grid(build(rows)[0], MINUTE, START + MINUTE * int_array(*heard))
    assert found.window_ms == MINUTE
    return (found.start_ms - START) // MINUTE, found.windows


def test_windows_hold_all_flows_and_the_minutes_heard_around_them() -> None:
    rows = [up(start=61, end=179, src_port=1), up(start=130, end=181, src_port=2)]
    assert grid(rows) == (1, 3)
    assert grid(rows, 1, 2) == (1, 3)
    assert grid(rows, 0, 3) == (0, 4)
    assert grid(rows, -2) == (-2, 6)
    assert grid(rows, 7) == (1, 7)
    assert grid([up(start=60, end=60)]) == (1, 1)
    assert grid([up(start=60, end=120)]) == (1, 1)


def test_signs_of_life_more_than_a_day_away_are_another_story() -> None:
    day = HEARD_BEYOND_MS // MINUTE
    assert HEARD_BEYOND_MS == DAY_S * 1000
    rows = [up(start=0, end=60)]
    assert grid(rows, -day) == (-day, day + 1)
    assert grid(rows, -day - 1) == (0, 1)
    assert grid(rows, day + 1) == (0, day + 2)
    assert grid(rows, day + 2) == (0, 1)


def test_an_export_of_nothing_has_one_window_and_no_times() -> None:
    flows, usage, coverage = build_case_data([], ExportReport(), site())
    assert len(flows) == 0
    assert (usage.start_ms, usage.windows) == (0, 1)
    assert (coverage.first_ms, coverage.last_ms, coverage.span_ms, coverage.sampling) == (
        None,
        None,
        None,
        1.0,
    )


def test_without_packets_nothing_is_sampled() -> None:
    assert build([up(packets=0)])[2].sampling == 1.0
    assert build([up(packets=0, sampling=10)])[2].sampling == 1.0


def test_usage_is_by_link_and_direction_with_framing_and_without() -> None:
    links = [
        Link(name="fibre", interfaces=[2], down_mbps=100, up_mbps=40, framing="ethernet"),
        *two_links()[1:],
    ]
    rows = [
        up(octets=1000, packets=1), down(octets=2000, packets=2), up(octets=4000, packets=4, egress_interface=3),
        up(octets=9999, egress_interface=9),
    ]  # fmt: skip
    flows, usage, _ = build(rows, site(links))
    assert usage.links == ("fibre", "lte")
    assert usage.ip_octets[:, :, 0].tolist() == [[2000, 1000], [0, 4000]]
    assert usage.packets[:, :, 0].tolist() == [[2, 1], [0, 4]]
    extra = usage.wire_octets[:, :, 0] - usage.ip_octets[:, :, 0]
    assert extra[0].tolist() == [2 * extra[0, 1], extra[0, 1]]
    assert extra[0, 1] >= 18  # header and check sequence of a frame (IEEE 802.3)
    assert (extra[1, 1], usage.lower, usage.upper) == (0, None, None)
    bounded = build_usage(flows, site(links), WindowGrid(START, 500, 2), with_bounds=True)
    assert bounded.lower is not None
    assert bounded.upper is not None
    assert bounded.lower[1, 1].tolist() == [0, 0]
    assert bounded.upper[1, 1].tolist() == [4000, 4000]
    assert bounded.ip_octets[1, 1].tolist() == pytest.approx([2000, 2000])


def test_many_days_in_a_row_are_no_strays() -> None:
    rows = [up(start=day * DAY_S, end=day * DAY_S + 1, src_port=day + 1) for day in range(20)]
    flows, usage, coverage = build(rows)
    assert (len(flows), usage.windows) == (20, 19 * 1440 + 1)
    assert not any("days away" in note for note in told(coverage.remarks))
    assert np.count_nonzero(usage.ip_octets[0, 1]) == 20


@pytest.mark.parametrize("index", [65_535, 65_536, 65_537, 2**31 - 1])
def test_links_have_interfaces_of_any_number(index: int) -> None:
    """ifIndex is of 32 bits (RFC 2863)."""
    links = two_links([index], [index - 2])
    rows = [
        up(egress_interface=index),
        up(egress_interface=index - 2, octets=7),
        up(egress_interface=index - 1, octets=1),
    ]
    _, usage, _ = build(rows, site(links))
    assert usage.ip_octets[:, 1, 0].tolist() == [1000, 7]
