"""Usage over time: the same as a plain loop, conserved, with gaps, bounds, months and states."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flowdiag.addresses import to_bytes
from flowdiag.aggregator.carried import FlowsCarried
from flowdiag.aggregator.report_windows import Asked
from flowdiag.aggregator.usage_report import (
    BUSY,
    FULL,
    MAX_WINDOWS,
    OK,
    UNKNOWN,
    LinkUsage,
    local_months,
    usage_report,
)
from flowdiag.collector.report import ExportReport
from flowdiag.errors import UsageError
from flowdiag.site.profile import Profile
from flowdiag.text.wording.coverage import told
from tests.aggregator.tables import EXPORTER, LTE, MINUTE, START, WAN, Row, build, down, site, two_links, up

GIVEN = Asked(begin=True, end=True)


def usage(
    rows: list[Row],
    window_ms: tuple[int, int],
    step_ms: int = MINUTE,
    profile: Profile | None = None,
    asked: Asked = GIVEN,
) -> list[LinkUsage]:
    flows, minutes, coverage = build(rows, profile)
    report = usage_report(
        profile or site(),
        FlowsCarried(flows, profile or site()),
        minutes,
        coverage,
        window_ms,
        step_ms,
        asked=asked,
    )
    return list(report.links)


@st.composite
def some_rows(draw: st.DrawFn) -> list[Row]:
    rows = []
    for number in range(draw(st.integers(1, 20))):
        start = draw(st.integers(0, 900_000))
        going_up = draw(st.booleans())
        wan: dict[str, Any] = {
            "egress_interface" if going_up else "ingress_interface": draw(st.sampled_from([WAN, LTE])),
            "src_port" if going_up else "dst_port": 40_000 + number,
        }
        length = draw(st.sampled_from([0, 1, 5_000, 60_000, 400_000]))
        make = up if going_up else down
        octets = draw(st.integers(0, 10**9))
        rows.append(make(octets=octets, start=start / 1000, end=(start + length) / 1000, **wan))
    return rows


def inside(row: Row, begin: int, end: int) -> float:
    """Octets of a record in [begin, end)."""
    first, last = (START + round(row[name] * 1000) for name in ("start", "end"))
    if first == last:
        return float(row["octets"]) if begin <= first < end else 0.0
    overlap = max(min(last, end) - max(first, begin), 0)
    return float(row["octets"] * overlap / (last - first))


@settings(max_examples=25)
@given(some_rows(), st.integers(0, 600), st.integers(1, 600), st.sampled_from([7_000, MINUTE, 250_000]))
def test_windows_are_those_of_a_loop_and_add_up(
    rows: list[Row], begin_s: int, length_s: int, step: int
) -> None:
    begin = START + begin_s * 1000 + 500
    window = begin, begin + length_s * 1000
    total = 0.0
    for link in usage(rows, window, step, site(two_links())):
        edges = link.edges_ms.tolist()
        assert (edges[0], edges[-1]) == window
        name, interface = ("egress_interface", WAN if link.name == "fibre" else LTE)
        if link.direction == "down":
            name = "ingress_interface"
        mine = [row for row in rows if row[name] == interface]
        for low, high, rate in zip(edges[:-1], edges[1:], link.mbps.tolist(), strict=True):
            wanted = sum(inside(row, low, high) for row in mine)
            assert rate * (high - low) * 1000 / 8 == pytest.approx(wanted, rel=1e-9, abs=1e-3)
            total += rate * (high - low) * 1000 / 8
        known = link.state != UNKNOWN
        slack = 1e-9 * max(float(link.upper_mbps.max()), 1.0)
        assert (link.lower_mbps <= link.mbps + slack)[known].all()
        assert (link.mbps <= link.upper_mbps + slack)[known].all()
    # Conservation: over links and windows, all octets that fall in the time.
    assert total == pytest.approx(sum(inside(row, *window) for row in rows), rel=1e-9, abs=1e-3)


def test_bounds_are_the_flows_inside_and_those_that_touch() -> None:
    rows = [up(octets=600_000, start=10, end=20), up(octets=1_200_000, start=50, end=70, src_port=50_001)]
    link = usage(rows, (START, START + 90_000))[1]
    # 8 bit of 600,000, 1,200,000 and 1,800,000 octets over 60 s; the second window is cut to 30 s
    assert link.lower_mbps == pytest.approx([0.08, 0.0])
    assert link.mbps == pytest.approx([0.16, 0.16])
    assert link.upper_mbps == pytest.approx([0.24, 0.32])


def test_a_flow_that_leaves_the_last_window_is_not_wholly_in_it() -> None:
    link = usage([up(octets=600_000, start=70, end=100)], (START, START + 90_000))[1]
    assert link.lower_mbps.tolist() == [0.0, 0.0]


def test_states_are_ok_busy_and_full_by_the_profiles_thresholds() -> None:
    # 40 Mbit/s up: 300 MB a minute; 69, 70, 89.9 and 90 %
    rows = [
        up(octets=round(300e6 * part), packets=1, start=60 * n, end=60 * n + 60, src_port=50_000 + n)
        for n, part in enumerate((0.69, 0.7, 0.899, 0.9))
    ]
    link = usage(rows, (START, START + 4 * MINUTE))[1]
    assert link.state.tolist() == [OK, BUSY, BUSY, FULL]
    assert (link.figures.busy_minutes, link.figures.full_minutes) == (3, 1)


def test_a_silent_exporter_is_a_gap_and_not_zero() -> None:
    rows = [up(start=0, end=59), up(start=300, end=359, src_port=50_001)]
    link = usage(rows, (START, START + 6 * MINUTE))[1]
    assert (link.state == UNKNOWN).tolist() == [False, True, True, True, True, False]


def test_an_exporter_that_was_heard_without_flows_has_zeros() -> None:
    rows = [up(start=0, end=59), up(start=180, end=239, src_port=50_001)]
    report = ExportReport()
    report.heard_minutes[to_bytes(EXPORTER)] = {START // MINUTE + 1}
    flows, minutes, coverage = build(rows, report=report)
    found = usage_report(
        site(),
        FlowsCarried(flows, site()),
        minutes,
        coverage,
        (START, START + 4 * MINUTE),
        MINUTE,
        asked=GIVEN,
    )
    assert found.links[1].state.tolist() == [OK, OK, UNKNOWN, OK]
    assert found.links[1].mbps[1] == 0.0


def test_the_95th_percentile_is_nearest_rank_of_five_minute_rates() -> None:
    # 20 times five minutes with 1 to 20 Mbit/s: the 19th of them (ceil(0.95 * 20)), one of the values.
    rows = [
        up(octets=round(n * 1e6 * 300 / 8), packets=1, start=300 * n - 300, end=300 * n, src_port=40_000 + n)
        for n in range(1, 21)
    ]
    begin = START + (-START) % 300_000  # on five minutes
    shifted = [
        {**row, "start": row["start"] + (begin - START) / 1000, "end": row["end"] + (begin - START) / 1000}
        for row in rows
    ]
    figures = usage(shifted, (begin, begin + 20 * 300_000))[1].figures
    rates = np.arange(1.0, 21.0)
    assert figures.p95_mbps == pytest.approx(np.percentile(rates, 95, method="inverted_cdf"))
    assert figures.p95_mbps == pytest.approx(19.0)
    assert figures.mean_mbps == pytest.approx(10.5)
    assert figures.peak_mbps == pytest.approx(20.0)


def test_months_are_those_of_the_sites_calendar() -> None:
    zone = ZoneInfo("Pacific/Auckland")
    begin, end = (
        round(datetime(*day, 12, tzinfo=UTC).timestamp() * 1000) for day in ((2026, 1, 31), (2026, 3, 1))
    )
    found = list(local_months((begin, end), zone))
    assert [(year, month) for year, month, _ in found] == [
        (2026, 2),
        (2026, 3),
    ]  # 31 January, 12:00 UTC is 1 February
    assert found[0][2][1] == found[1][2][0] == round(datetime(2026, 3, 1, tzinfo=zone).timestamp() * 1000)


def test_link_and_direction_narrow_the_report() -> None:
    flows, minutes, coverage = build([up()], site(two_links()))
    window = START, START + MINUTE
    found = usage_report(
        site(two_links()),
        FlowsCarried(flows, site(two_links())),
        minutes,
        coverage,
        window,
        MINUTE,
        link=1,
        direction=0,
    )
    assert [(link.name, link.direction) for link in found.links] == [("lte", "down")]


def test_a_time_without_flows_is_said_to_be_one() -> None:
    flows, minutes, coverage = build([up()])
    found = usage_report(
        site(), FlowsCarried(flows, site()), minutes, coverage, (START - MINUTE, START), MINUTE, asked=GIVEN
    )
    assert told(found.remarks)[0].startswith("No flow lies in this time; the export covers 20")
    assert found.links[0].state.tolist() == [UNKNOWN]


def test_more_windows_than_anyone_reads_are_refused() -> None:
    flows, minutes, coverage = build([up()])
    with pytest.raises(UsageError, match="--window"):
        usage_report(
            site(), FlowsCarried(flows, site()), minutes, coverage, (START, START + MAX_WINDOWS * 1000), 1000
        )
