"""The series of the pictures, against rates set by hand."""

import numpy as np
import pytest

from flowdiag.note.charting import OTHERS, binned, charts, stack, state_spans, step_windows
from tests.note.building import FULL_UPLOAD, Traffic, full_upload, ms, resting_on
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


def test_a_window_that_is_all_of_the_chart_is_not_marked() -> None:
    assert charts(on_backup().case)[0].window_ms is None


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
    assert (drawn.link, drawn.direction, drawn.episode_ms) == ("fibre", "up", (ms(76), ms(113)))
    assert [layer.name for layer in drawn.layers] == [
        *("192.168.40.20 (imaging archive)", "192.168.40.21", OTHERS)
    ]
    at = (ms(80) - drawn.start_ms) // drawn.step_ms
    assert sum(layer.rates[at] for layer in drawn.layers) == pytest.approx(19.7)
    assert drawn.layers[0].rates[at] == pytest.approx(19.2)


def test_a_finding_of_both_directions_is_stacked_in_the_fuller_one() -> None:
    given = on_backup()  # 27.6 of 30 down, 1.7 of 5 up
    drawn = stack(given.case, given.verdict)
    assert drawn is not None
    assert (drawn.link, drawn.direction) == ("lte", "down")


def test_a_verdict_without_a_link_has_no_stack() -> None:
    assert stack(healthy().case, healthy().verdict) is None
    assert stack(Traffic(10).case(), resting_on(FULL_UPLOAD)) is None
