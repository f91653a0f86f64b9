"""What falls where on a grid of windows: figures of steps, signs of life, states, months, bounds. Times by hand."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator import usage_report as module
from flowdiag.aggregator.carried import FlowsCarried
from flowdiag.aggregator.link_figures import (
    _covered_span,
    _mostly_heard,
    _on_grid,
    covered_part_ms,
    link_figures,
)
from flowdiag.aggregator.spread import WindowGrid, bounds, part_inside, touched
from flowdiag.aggregator.usage import Usage
from flowdiag.aggregator.usage_report import (
    BUSY,
    FULL,
    MAX_WINDOWS,
    OK,
    STATES,
    UNKNOWN,
    _heard,
    _states,
    local_months,
    usage_report,
)
from flowdiag.errors import UsageError
from flowdiag.text.wording.coverage import told
from tests.aggregator.tables import MINUTE, START, build, down, int_array, site, up


def usage(*octets: float, start_ms: int = 0, window_ms: int = 60, covered: list[int] | None = None) -> Usage:
    """One link: downloads as given, uploads ten times as much."""
    down = np.array(octets, float)
    wire = np.array([[down, 10 * down]])
    lengths = None if covered is None else np.array(covered, np.int64)
    return Usage(start_ms, window_ms, ("fibre",), wire, wire, wire, covered_ms=lengths)


def heard(pattern: str) -> np.ndarray[Any, np.dtype[np.bool_]]:
    return np.array([sign == "x" for sign in pattern])


@pytest.mark.parametrize(
    ("pattern", "grid", "expected"),
    [
        ("xx...xxx..", WindowGrid(0, 300, 2), ".x"),  # two of five, three of five
        ("x..xxx....", WindowGrid(0, 120, 5), "xxx.."),  # half is enough
        ("xxxxxxxxxx", WindowGrid(-300, 300, 4), ".xx."),  # nothing is known before and behind
        ("xxxxxxxxxx", WindowGrid(60, 60, 10), "xxxxxxxxx."),
    ],
)
def test_a_step_is_judged_where_half_of_its_windows_were_heard(
    pattern: str, grid: WindowGrid, expected: str
) -> None:
    told = _mostly_heard(usage(*range(10)), heard(pattern), grid)
    assert told.tolist() == heard(expected).tolist()


def test_a_step_within_a_window_is_judged_with_it() -> None:
    """Two windows of ten minutes from the tenth on; steps of five from the fifth."""
    grid = WindowGrid(300, 300, 7)
    of = usage(1, 2, start_ms=600, window_ms=600)
    assert _mostly_heard(of, heard("xx"), grid).tolist() == heard(".xxxx..").tolist()
    assert _mostly_heard(of, heard("x."), grid).tolist() == heard(".xx....").tolist()
    assert _mostly_heard(of, heard(".x"), grid).tolist() == heard("...xx..").tolist()
    assert _mostly_heard(of, None, grid).all()
    # As long as a step, a window is of the one that it begins in.
    assert _mostly_heard(of, heard("xx"), WindowGrid(300, 600, 3)).tolist() == [True, True, False]


def test_octets_of_steps_are_those_of_their_windows_where_these_fit() -> None:
    of = usage(1, 2, 3, 4, 5, 6, start_ms=60)
    flows: Any = None  # not looked at
    found = _on_grid(of, flows, WindowGrid(0, 180, 2))
    assert found.tolist() == [[[1 + 2, 3 + 4 + 5], [30, 120]]]  # the last one begins at 360
    inner = _on_grid(of, flows, WindowGrid(120, 120, 2))
    assert inner.tolist() == [[[2 + 3, 4 + 5], [50, 90]]]


@pytest.mark.parametrize("grid", [WindowGrid(0, 90, 2), WindowGrid(30, 60, 2)])
def test_octets_of_steps_that_fit_no_windows_are_spread_anew(grid: WindowGrid) -> None:
    flows, _, _ = build([down(start=0, end=60, octets=600), up(start=60, end=180, octets=1200)])
    near = replace(flows, start_ms=int_array(0, 60), end_ms=int_array(60, 180), wire_octets=flows.octets)
    found = _on_grid(usage(1, 2, 3), FlowsCarried(near, site()), grid)
    expected = {
        0: [[600, 0], [300, 900]],  # 60 ms in the first 90; 30 and 90 of 120 ms
        30: [[300, 0], [300, 600]],
    }[grid.start_ms]
    assert found.tolist() == [expected]


def test_an_export_covers_from_its_first_known_moment_to_its_last() -> None:
    assert _covered_span(usage(1, 2, 3, start_ms=600)) == (600, 780)
    assert _covered_span(usage(1, 2, 3, 4, start_ms=600, covered=[0, 20, 60, 50])) == (700, 830)
    assert _covered_span(usage(1, 2, 3, start_ms=600, covered=[0, 20, 0])) == (700, 720)
    assert _covered_span(usage(1, 2, start_ms=600, covered=[0, 0])) == (600, 720)


def test_the_part_that_is_covered_is_a_millisecond_at_least() -> None:
    of = usage(1, 2, 3, start_ms=600, covered=[20, 60, 50])  # 640 to 770
    assert covered_part_ms(of, (0, 9999)) == 130
    assert covered_part_ms(of, (650, 660)) == 10
    assert covered_part_ms(of, (600, 641)) == 1
    assert covered_part_ms(of, (600, 640)) == 40  # nothing of it: all of it
    assert covered_part_ms(of, (770, 775)) == 5
    assert covered_part_ms(of, (700, 700)) == 1
    empty = usage(1, covered=[0])
    assert (covered_part_ms(empty, (5, 12)), covered_part_ms(empty, (5, 5))) == (7, 1)


def test_a_percentile_is_of_three_five_minutes_at_least() -> None:
    """Minutes of 1, 2 ... Mbit/s: of two times five minutes the percentile is that of the minutes."""
    begin = START + MINUTE  # a whole five minutes since 1970
    for fives, percentile in ((2, 10.0), (3, 13.0)):  # the third five minutes have 11 to 15
        rows = [
            up(start=60 * n, end=60 * n + 60, octets=7_500_000 * n, src_port=n)
            for n in range(1, 5 * fives + 1)
        ]
        flows, minutes, _ = build(rows)
        (link,) = link_figures(
            minutes, FlowsCarried(flows, site()), site(), (begin, begin + fives * 5 * MINUTE)
        )
        assert link.up.p95_mbps == pytest.approx(percentile)


# Signs of life and states -------------------------------------------------------------------------------------------


def life(pattern: str, grid: WindowGrid) -> list[bool]:
    """Of minutes, here of 60 ms, from 600 on."""
    coverage: Any = SimpleNamespace(heard=heard(pattern))
    return _heard(usage(*([0] * len(pattern)), start_ms=600), coverage, grid).tolist()


def test_a_window_shows_life_where_it_touches_a_minute_that_does() -> None:
    assert life("x..x", WindowGrid(600, 60, 4)) == [True, False, False, True]
    assert life("x..x", WindowGrid(600, 120, 2)) == [True, True]
    assert life(".x..", WindowGrid(600, 30, 8)) == [False, False, True, True, False, False, False, False]
    assert life(".x..", WindowGrid(659, 60, 2)) == [
        True,
        True,
    ]  # 659 to 719 and to 779: the minute is 660 to 720
    assert life(".x..", WindowGrid(600, 59, 4)) == [False, True, True, False]  # 659 to 718, 718 to 777
    assert life("xxxx", WindowGrid(840, 60, 1)) == [False]
    assert life("xxxx", WindowGrid(540, 60, 1)) == [False]
    assert life("x...", WindowGrid(659, 1, 2)) == [True, False]
    assert life("...x", WindowGrid(839, 1, 2)) == [True, False]
    assert life("....", WindowGrid(600, 60, 4)) == [False] * 4


def test_a_rate_is_busy_and_full_from_its_threshold_on_but_for_rounding() -> None:
    profile = site()  # busy from 70 %, full from 90 %
    rates = np.array([69.99, 70 * (1 - 1e-8), 70 * (1 - 0.9e-9), 70, 89.99, 90 * (1 - 0.9e-9), 90, 400])
    found = _states(rates, np.ones(8, np.bool_), 100.0, profile)
    assert found.tolist() == [OK, OK, BUSY, BUSY, BUSY, FULL, FULL, FULL]
    assert _states(rates, np.zeros(8, np.bool_), 100.0, profile).tolist() == [UNKNOWN] * 8
    assert [STATES[state] for state in (OK, BUSY, FULL, UNKNOWN)] == ["ok", "busy", "full", "unknown"]


@pytest.mark.parametrize(("windows", "fits"), [(4, True), (5, False)])
def test_a_report_has_fewer_windows_than_the_most(
    monkeypatch: pytest.MonkeyPatch, windows: int, fits: bool
) -> None:
    assert MAX_WINDOWS == 600_000
    monkeypatch.setattr(module, "MAX_WINDOWS", 5)
    flows, minutes, coverage = build([up()])
    window = (START, START + windows * MINUTE)
    if fits:
        report = usage_report(site(), FlowsCarried(flows, site()), minutes, coverage, window, MINUTE)
        assert {len(link.mbps) for link in report.links} == {4}
    else:
        with pytest.raises(UsageError, match="more than 5 windows"):
            usage_report(site(), FlowsCarried(flows, site()), minutes, coverage, window, MINUTE)


@pytest.mark.parametrize(
    ("begin", "end", "is_said"), [(10, 20, False), (0, 10, True), (20, 30, True), (19, 20, False)]
)
def test_a_span_that_no_flow_touches_is_said_to_be_one(begin: int, end: int, is_said: bool) -> None:
    flows, minutes, coverage = build([up(start=10, end=20)])
    window = (START + 1000 * begin, START + 1000 * end)
    notes = told(usage_report(site(), FlowsCarried(flows, site()), minutes, coverage, window, MINUTE).remarks)
    assert any("No flow lies in this time" in note for note in notes) == is_said
    moment, minutes, coverage = build([up(start=10, end=10)])
    notes = told(
        usage_report(
            site(),
            FlowsCarried(moment, site()),
            minutes,
            coverage,
            (START + 10_000, START + 10_001),
            MINUTE,
        ).remarks
    )
    assert not any("No flow lies in this time" in note for note in notes)


def utc_ms(*when: int) -> int:
    return round(datetime(*when, tzinfo=UTC).timestamp() * 1000)  # type: ignore[misc, arg-type]


def test_a_year_ends_with_december() -> None:
    begin, end = utc_ms(2025, 11, 30), utc_ms(2026, 2, 1)
    assert list(local_months((begin, end), ZoneInfo("UTC"))) == [
        (2025, 11, (begin, utc_ms(2025, 12, 1))),
        (2025, 12, (utc_ms(2025, 12, 1), utc_ms(2026, 1, 1))),
        (2026, 1, (utc_ms(2026, 1, 1), end)),
    ]
    assert list(local_months((begin, begin), ZoneInfo("UTC"))) == []
    late = utc_ms(2025, 12, 31, 23, 59) + 59_999
    assert list(local_months((late, late + 2), ZoneInfo("UTC"))) == [
        (2025, 12, (late, late + 1)), (2026, 1, (late + 1, late + 2))
    ]  # fmt: skip


# Bounds of windows --------------------------------------------------------------------------------------------------

GRID = WindowGrid(1000, 100, 3)


@pytest.mark.parametrize(
    ("start", "end", "lower", "upper"),
    [
        (950, 1000, [0, 0, 0], [0, 0, 0]),  # it ends where the grid begins
        (950, 1001, [0, 0, 0], [7, 0, 0]),
        (1000, 1100, [7, 0, 0], [7, 0, 0]),
        (1000, 1101, [0, 0, 0], [7, 7, 0]),
        (1099, 1100, [7, 0, 0], [7, 0, 0]),
        (1000, 1000, [7, 0, 0], [7, 0, 0]),
        (999, 999, [0, 0, 0], [0, 0, 0]),
        (1299, 1300, [0, 0, 7], [0, 0, 7]),
        (1250, 1301, [0, 0, 0], [0, 0, 7]),
        (1300, 1300, [0, 0, 0], [0, 0, 0]),
        (1299, 1299, [0, 0, 7], [0, 0, 7]),
        (0, 9999, [0, 0, 0], [7, 7, 7]),
    ],
)
def test_least_and_most_of_each_window(start: int, end: int, lower: list[int], upper: list[int]) -> None:
    times = int_array(start), int_array(end)
    for series in (None, np.array([1], np.int16)):
        least, most = bounds(*times, np.array([7.0]), GRID, series, 2)
        of = 0 if series is None else 1
        assert (least[of].tolist(), most[of].tolist()) == (lower, upper)
        assert not least[1 - of].any()
        assert not most[1 - of].any()
    least, most = bounds(*times, np.array([7.0]), GRID, np.array([-1], np.int16), 2)
    assert not least.any()
    assert not most.any()
    assert touched(*times, GRID).tolist() == [value > 0 for value in upper]


def test_a_flow_of_the_first_series_and_a_window_that_is_cut() -> None:
    cut = WindowGrid(1000, 100, 3, cut_ms=1250)
    assert (cut.end_ms, cut.edges().tolist()) == (1250, [1000, 1100, 1200, 1250])
    least, most = bounds(
        int_array(1210, 1210), int_array(1250, 1251), np.array([7.0, 8.0]), cut, np.array([0, 0], np.int16), 1
    )
    assert (least.tolist(), most.tolist()) == ([[0, 0, 7]], [[0, 0, 15]])


def test_the_part_of_a_flow_inside_is_by_time_and_a_moments_all_or_nothing() -> None:
    start = int_array(0, 90, 95, 100, 199, 200, 150, 100)
    end = int_array(50, 110, 95, 100, 199, 200, 250, 200)
    assert part_inside(start, end, 100, 200).tolist() == [0, 0.5, 0, 1, 1, 0, 0.5, 1]
    assert part_inside(int_array(100, 200), int_array(150, 200), 100, 200).tolist() == [1, 0]


@pytest.mark.parametrize(
    ("first", "last", "begin", "windows"),
    [(0, 100, 0, 1), (0, 101, 0, 2), (99, 100, 0, 1), (100, 100, 100, 1), (-1, 0, -100, 1)],
)
def test_windows_cover_from_the_first_moment_to_the_last(
    first: int, last: int, begin: int, windows: int
) -> None:
    assert WindowGrid.covering(first, last, 100) == WindowGrid(begin, 100, windows)
