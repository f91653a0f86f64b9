"""The series of the pictures, against rates set by hand."""

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.diagnoser.signals.link_states import CARRYING, KEEPALIVES, SILENT, UNKNOWN
from flowdiag.note.charting import MOST_STATES, binned, coarse, state_spans, step_windows, time_axis
from flowdiag.note.charting import charts as charts_over
from flowdiag.text.clock import Clock
from flowdiag.text.wording import pictures as wording
from tests.note.building import FULL_UPLOAD, Traffic, charts, full_upload, ms, resting_on, stack
from tests.note.situations import healthy, leak_in_an_audit, mostly_silent, nothing_read, on_backup


def test_each_link_and_direction_has_its_chart_with_its_plan() -> None:
    drawn = charts(full_upload().case)
    assert [(c.link, c.role, c.direction, c.capacity_mbps) for c in drawn] == [
        ("fibre", "primary", "down", 100),
        ("fibre", "primary", "up", 20),
        ("lte", "backup", "down", 30),
        ("lte", "backup", "up", 5),
    ]


def test_a_chart_shows_half_an_hour_at_least_around_the_window() -> None:
    chart = charts(full_upload().case)[1]  # window: minutes 70 to 110 of 150
    assert (chart.start_ms, chart.end_ms, chart.step_ms) == (ms(40), ms(140), 60_000)
    assert chart.window_ms == (ms(70), ms(110))
    assert chart.rates[0] == pytest.approx(0.5)
    assert chart.rates[40] == pytest.approx(19.7)


def test_full_spans_are_those_of_the_findings() -> None:
    chart = charts(full_upload().case)[1]
    assert (chart.full, chart.busy) == (((ms(76), ms(113)),), ())


def test_what_is_marked_as_asked_about_is_what_was_asked() -> None:
    asked = charts(on_backup().case)[0]  # all of the export was asked about
    assert asked.asked_ms == (ms(0), ms(120))
    assert charts(Traffic().office().case())[0].asked_ms is None


def test_a_time_beyond_the_export_is_marked_as_far_as_the_chart_goes() -> None:
    chart = charts(Traffic().office().case(window=(90, 150)))[0]
    assert (chart.end_ms, chart.asked_ms) == (ms(120), (ms(90), ms(120)))


def test_who_used_a_link_has_the_time_axis_and_the_rates_of_its_chart() -> None:
    given = full_upload()
    shown = charts(given.case)[1]
    drawn = stack(given.case, given.verdict)
    assert drawn is not None
    assert drawn.chart == shown
    sums = [sum(rates) for rates in zip(*(layer.rates for layer in drawn.layers), strict=True)]
    assert sums == pytest.approx(shown.rates, abs=1e-5)


def test_an_axis_can_be_any_time_and_spans_of_one_length_have_the_same_steps() -> None:
    case = Traffic(600).office().case(window=(0, 60))
    first, second = (time_axis(case, span) for span in ((ms(0), ms(250)), (ms(500), ms(750))))
    assert (first.start_ms, first.end_ms, first.step_ms) == (ms(0), ms(250), 120_000)
    assert (second.start_ms, second.end_ms, second.step_ms) == (ms(500), ms(750), 120_000)
    chart = charts_over(case, second)[0]
    assert chart.rates == (pytest.approx(8.0),) * 50 + (None,) * 75  # the export ends at minute 600
    assert chart.gaps == ((ms(600), ms(750)),)
    assert [(span.start_ms, span.end_ms, span.state) for span in chart.states] == [
        (ms(500), ms(600), "carrying"),
        (ms(600), ms(750), "unknown"),
    ]


def test_an_axis_before_the_export_begins_with_what_is_not_known() -> None:
    case = Traffic(30).office().case()
    chart = charts_over(case, time_axis(case, (ms(-20) + 1, ms(10))))[0]
    assert (chart.start_ms, chart.rates[19], chart.rates[20]) == (ms(-20), None, pytest.approx(8.0))


def test_a_finding_that_lasts_beyond_the_picture_has_only_the_edge_that_is_in_it() -> None:
    case = Traffic(300).office().case(window=(200, 210))  # shown: minutes 170 to 240
    finding = replace(FULL_UPLOAD, direction="down", start_ms=ms(10), end_ms=ms(205))
    drawn = stack(case, resting_on(finding))
    assert drawn is not None
    assert (drawn.chart.start_ms, drawn.edges_ms) == (ms(170), (ms(205),))


def test_a_finding_out_of_the_picture_has_none_of_who_used_the_link() -> None:
    case = Traffic(300).office().case(window=(200, 210))
    assert stack(case, resting_on(replace(FULL_UPLOAD, start_ms=ms(10), end_ms=ms(20)))) is None


def test_link_states_follow_a_failover() -> None:
    fibre, lte = charts(on_backup().case)[0], charts(on_backup().case)[2]
    assert [(s.start_ms, s.end_ms, s.state) for s in fibre.states] == [
        (ms(0), ms(30), "carrying"),
        (ms(30), ms(81), "silent"),
        (ms(81), ms(120), "carrying"),
    ]
    assert [s.state for s in lte.states] == ["silent", "carrying", "silent"]


def test_where_nothing_was_heard_there_is_a_gap_not_a_zero() -> None:
    chart = charts(mostly_silent().case)[0]
    assert chart.rates[19] == pytest.approx(8.0)
    assert chart.rates[20:100] == (None,) * 80
    assert [s.state for s in chart.states] == ["carrying", "unknown", "carrying"]


def test_long_exports_are_drawn_in_longer_steps() -> None:
    chart = charts(leak_in_an_audit().case)[0]  # 36 hours
    assert chart.step_ms == 10 * 60_000
    assert len(chart.rates) == 216


@pytest.mark.parametrize(
    ("windows", "step"), [(1, 1), (240, 1), (241, 2), (1_440, 10), (44_640, 240), (1_000_000, 4_167)]
)
def test_a_chart_has_at_most_240_points(windows: int, step: int) -> None:
    assert step_windows(windows, 60_000) == step
    assert -(-windows // step) <= 240


def test_a_step_has_the_mean_and_peak_of_what_was_heard() -> None:
    heard = np.array([True, True, False, False, True])
    means, peaks = binned(np.array([1.0, 3.0, 9.0, 9.0, 5.0]), heard, 2)
    assert means == (2.0, None, 5.0)
    assert peaks == (3.0, None, 5.0)


def test_runs_of_states_become_spans() -> None:
    spans = state_spans(np.array([2, 2, 0, 3], np.int8), 0, 10)
    assert [(s.start_ms, s.end_ms, s.state) for s in spans] == [
        (0, 20, "carrying"), (20, 30, "silent"), (30, 40, "unknown")
    ]  # fmt: skip


def test_an_export_without_time_has_no_chart() -> None:
    assert charts(nothing_read().case) == ()


def test_a_stack_adds_up_to_the_rate_of_its_link() -> None:
    case = full_upload().case
    drawn = stack(case, resting_on(FULL_UPLOAD))
    assert drawn is not None
    assert (drawn.chart.link, drawn.chart.direction) == ("fibre", "up")
    assert drawn.episode_ms == (ms(76), ms(113))
    assert [layer.name for layer in drawn.layers] == [
        *("192.168.40.20 (imaging archive)", "192.168.40.21", wording.OTHERS)
    ]
    at = (ms(80) - drawn.chart.start_ms) // drawn.chart.step_ms
    assert sum(layer.rates[at] for layer in drawn.layers) == pytest.approx(19.7)
    assert drawn.layers[0].rates[at] == pytest.approx(19.2)


def test_a_finding_of_both_directions_is_stacked_in_the_fuller_one() -> None:
    given = on_backup()  # 27.6 of 30 down, 1.7 of 5 up
    drawn = stack(given.case, given.verdict)
    assert drawn is not None
    assert (drawn.chart.link, drawn.chart.direction) == ("lte", "down")


def test_a_verdict_without_a_link_has_no_stack() -> None:
    assert stack(healthy().case, healthy().verdict) is None
    assert stack(Traffic(10).case(), resting_on(FULL_UPLOAD)) is None


def test_states_that_change_each_minute_are_not_drawn_finer_than_can_be_seen() -> None:
    days = np.tile(np.array([KEEPALIVES, SILENT, SILENT, SILENT, SILENT], np.int8), 30 * 288)
    assert coarse(days[:MOST_STATES], "backup").tolist() == days[:MOST_STATES].tolist()
    drawn = coarse(days, "backup")
    assert (len(drawn), set(drawn.tolist())) == (len(days), {KEEPALIVES})


@pytest.mark.parametrize(
    ("role", "usual", "telling"),
    [("backup", SILENT, CARRYING), ("primary", CARRYING, SILENT), ("primary", CARRYING, UNKNOWN)],
)
def test_what_should_not_be_is_seen_in_a_long_time_however_short_it_was(
    role: str, usual: int, telling: int
) -> None:
    month = np.full(30 * 1440, usual, np.int8)
    month[20_000] = telling
    drawn = state_spans(coarse(month, role), 0, 60_000)
    there = next(span for span in drawn if span.start_ms <= 20_000 * 60_000 < span.end_ms)
    assert there.state != drawn[0].state
    assert (len(drawn), drawn[-1].end_ms) == (3, 30 * 1440 * 60_000)


def test_of_hundreds_of_full_times_the_first_are_told_and_the_rest_is_counted() -> None:
    chart = charts(full_upload().case)[1]
    often = replace(chart, full=tuple((ms(at), ms(at + 1)) for at in range(0, 100, 2)))
    told = wording.chart_description(often, Clock("UTC"))
    assert told.count("It was full") == wording.MOST_SAID + 1
    assert told.endswith("It was full 30 more times.")
    assert "more time" not in wording.chart_description(chart, Clock("UTC"))
