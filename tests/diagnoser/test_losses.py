"""Rates where records were lost; figures by hand, on a plan of 100 Mbit/s that counts IP octets."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.aggregator.usage import Usage
from flowdiag.collector.report import LossEvent
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.signals.losses import hidden, lost_between, lost_in_window, lost_share
from flowdiag.note.compose import compose
from flowdiag.note.text import render
from tests.diagnoser.building import ZERO_MS, Book, ms, profile

MBPS_MINUTE = 7_500_000


def lossy(share: float, *mbps: float, dips: tuple[int, ...] = ()) -> Case:
    """One record a second at these rates, and in every minute so many lost that they are a share of all."""
    book = Book()
    for minute, rate in enumerate(mbps):
        if minute in dips:
            continue
        for second in range(60):
            start = minute * 60 + second
            book.row(start, start + 1, way=DOWN, octets=rate * MBPS_MINUTE / 60, inside_port=40_000 + start)
    case = book.case(profile(backup=False), span=(0, len(mbps) * 60))
    a_minute = round(60 * share / (1 - share))
    losses = tuple(
        LossEvent(b"", 0, ZERO_MS + minute * 60_000 + 30_000, 1, a_minute, ZERO_MS + minute * 60_000 + 29_000)
        for minute in range(len(mbps))
        if a_minute
    )
    lost = a_minute * len(mbps)
    return replace(case, coverage=replace(case.coverage, losses=losses, lost_records=lost))


def test_the_part_lost_is_that_of_the_records_around() -> None:
    case = lossy(0.25, *[50] * 40)  # 20 of 80 each minute
    assert lost_share(case, case.usage) == pytest.approx(0.25, abs=0.001)
    assert lost_between(case, ms(600), ms(1200)) == pytest.approx(0.25, abs=0.001)


def test_what_only_the_estimate_makes_full_is_said_with_both_figures() -> None:
    # 80 Mbit/s measured with a fifth lost are 100.
    diagnosis = diagnose(lossy(0.2, *[80] * 60))
    (finding,) = [found for found in diagnosis.findings if found.code == "link-full"]
    assert finding.confidence == "medium"
    assert finding.evidence["mean_mbps"] == pytest.approx(80.0)
    assert finding.evidence["estimated_mean_mbps"] == pytest.approx(100.0, abs=0.1)
    assert "80.0 Mbit/s on average" in finding.summary
    assert "about 100 Mbit/s with the 20% of the records that were lost" in finding.summary


def test_a_line_in_half_use_with_a_tenth_lost_is_not_cleared_for_sure() -> None:
    verdict = diagnose(lossy(0.1, *[44] * 60)).verdict
    assert (verdict.code, verdict.confidence == "high") == ("not-the-link", False)
    assert "not the cause" not in verdict.sentence
    assert "were lost" in verdict.sentence
    # 44 Mbit/s over 0.9 are 48.9, and a little more at the ends of the export, where few records are around.
    assert re.search(r"\(44%\) in any minute, .*; about (49|50)% with what was lost", verdict.reasons[0])


def test_without_losses_nothing_is_scaled() -> None:
    case = lossy(0.0, *[45] * 30)
    assert not lost_share(case, case.usage).any()
    assert not hidden(case, case.usage).any()


def test_a_restart_in_the_middle_of_a_full_time_does_not_cut_it_in_two() -> None:
    case = lossy(0.0, *[10] * 20, *[95] * 20, *[10] * 20, dips=(29, 30))
    whole = replace(case, coverage=replace(case.coverage, restarts=((ms(29 * 60), ms(31 * 60)),)))
    assert [f.code for f in diagnose(case).findings].count("link-full") == 2
    (finding,) = [found for found in diagnose(whole).findings if found.code == "link-full"]
    assert (finding.start_ms, finding.end_ms) == (ms(20 * 60), ms(40 * 60))
    # The two minutes of which nothing is known are no full minutes, and take nothing off the mean.
    assert finding.evidence["full_minutes"] == 18
    assert finding.evidence["mean_mbps"] == pytest.approx(95.0)
    (gap,) = [found for found in diagnose(whole).findings if found.code == "export-gap"]
    assert (gap.start_ms, gap.end_ms, gap.severity) == (ms(29 * 60), ms(31 * 60), "info")
    assert "restarted" in gap.summary


def test_windows_in_which_a_loss_may_hide_something_reach_back_by_a_record() -> None:
    case = lossy(0.0, *[10] * 10)
    event = LossEvent(b"", 0, ms(330), 1, 20, ms(325))
    case = replace(case, coverage=replace(case.coverage, losses=(event,), lost_records=20, resolution_s=60))
    # From 325 s - 60 s = 265 s (minute 4) to 330 s (minute 5).
    assert np.flatnonzero(hidden(case, case.usage)).tolist() == [4, 5]


def half_lost_in_the_middle(*mbps: float) -> Case:
    """As lossy(), with sixty messages of one record lost in each of the minutes 30 to 39 and none in the others."""
    case = lossy(0.0, *mbps)
    losses = tuple(
        LossEvent(b"", 0, ms(60 * minute + 30), 60, 60, ms(60 * minute + 29)) for minute in range(30, 40)
    )
    return replace(case, coverage=replace(case.coverage, losses=losses, lost_records=600))


def test_a_loss_that_begins_and_ends_counts_where_it_was() -> None:
    case = half_lost_in_the_middle(*[48] * 90)
    share = lost_share(case, case.usage)
    # 60 of 120 from minute 30 to 39: over quarters of an hour on both sides that would be 600 of 2,460.
    assert share[32:38] == pytest.approx(0.5)
    assert lost_between(case, ms(60 * 50), ms(60 * 60)) == 0.0
    assert share[44:60] == pytest.approx(0.0)
    # 48 Mbit/s over a half are 96.
    (finding,) = [found for found in diagnose(case).findings if found.code == "link-full"]
    assert finding.confidence == "medium"
    assert ms(60 * 30) <= (finding.start_ms or 0) < (finding.end_ms or 0) <= ms(60 * 40)


def test_a_full_time_of_which_half_was_lost_for_ten_minutes_is_one_and_says_so() -> None:
    case = half_lost_in_the_middle(*[10] * 20, *[98] * 10, *[45] * 10, *[98] * 10, *[10] * 20)
    diagnosis = diagnose(case)
    (finding,) = [found for found in diagnosis.findings if found.code == "link-full"]
    assert (finding.start_ms, finding.end_ms) == (ms(60 * 20), ms(60 * 50))
    assert finding.evidence["full_minutes"] == diagnosis.links[0].down.full_minutes == 20
    assert any(
        doubt.startswith("Less was measured at times from 10:30 to 10:40 UTC, when records were lost")
        for doubt in finding.doubts
    )


def test_a_dip_deeper_than_what_was_lost_parts_two_full_times() -> None:
    case = half_lost_in_the_middle(*[10] * 20, *[98] * 10, *[25] * 10, *[98] * 10, *[10] * 20)
    found = [finding for finding in diagnose(case).findings if finding.code == "link-full"]
    assert [(one.start_ms, one.end_ms) for one in found] == [
        (ms(60 * 20), ms(60 * 30)),
        (ms(60 * 40), ms(60 * 50)),
    ]


def test_a_loss_that_is_over_makes_nothing_full_of_the_minutes_after_it() -> None:
    """80 Mbit/s over three quarters would be 107: of the minutes 40 and 41 no record was lost."""
    case = half_lost_in_the_middle(*[80] * 30, *[40] * 10, *[80] * 30)
    share = lost_share(case, case.usage)
    assert share[41] < 0.11
    assert [finding.code for finding in diagnose(case).findings].count("link-full") == 0


def test_what_was_lost_is_told_in_text() -> None:
    case = half_lost_in_the_middle(*[10] * 90)
    diagnosis = diagnose(replace(case, window_ms=(ms(60 * 32), ms(60 * 50)), window_given=True))
    (gap,) = [finding for finding in diagnosis.findings if finding.code == "export-gap"]
    assert type(gap.evidence["lost_percent"]) is float
    assert "records lost" in render(compose(diagnosis))


def test_what_was_lost_is_told_of_the_time_asked_about() -> None:
    case = half_lost_in_the_middle(*[10] * 90)
    within = diagnose(replace(case, window_ms=(ms(60 * 32), ms(60 * 37)), window_given=True)).verdict
    # Five minutes' records came; the losses of those and of the two minutes after are told with them.
    assert lost_in_window(replace(case, window_ms=(ms(60 * 32), ms(60 * 37))))[0] == 7 * 60
    assert "58% of the measurements were lost" in within.sentence
    after = diagnose(replace(case, window_ms=(ms(60 * 60), ms(60 * 80)), window_given=True)).verdict
    assert (after.confidence, "lost" in after.sentence) == ("high", False)


def test_a_restart_within_minutes_does_not_cut_a_full_time_in_two() -> None:
    """From 28:50 to 30:40 nothing is known: three minutes are touched by it, and none of them is full."""
    case = lossy(0.0, *[10] * 20, *[95] * 8, 79.2, 0, 31.7, *[95] * 9, *[10] * 20, dips=(29,))
    whole = replace(case, coverage=replace(case.coverage, restarts=((ms(29 * 60 + 50), ms(30 * 60 + 40)),)))
    (finding,) = [found for found in diagnose(whole).findings if found.code == "link-full"]
    assert (finding.start_ms, finding.end_ms) == (ms(20 * 60), ms(40 * 60))


def test_what_was_lost_leaves_no_comma_at_the_end_of_a_sentence() -> None:
    verdict = diagnose(lossy(0.1, *[44] * 60)).verdict
    assert verdict.sentence.startswith("As far as it was measured, your line was used up to 44%, about ")
    assert " with what was lost. We cannot be sure: " in verdict.sentence


def minutes(count: int, a_minute: int = 10, **coverage: Any) -> Case:
    """So many minutes with ten records each; coverage as given."""
    book = Book()
    for number in range(count * a_minute):
        start = number * 60 / a_minute
        book.row(start, start + 1, way=DOWN, octets=1000, inside_port=number)
    case = book.case(span=(0, count * 60 - 1))
    return replace(case, coverage=replace(case.coverage, **coverage))


def event(second: float, records: int, messages: int = 1, since: float | None = None) -> LossEvent:
    return LossEvent(b"", 0, ms(second), messages, records, None if since is None else ms(since))


def test_where_nobody_knows_when_all_minutes_have_the_same_part_and_half_at_most() -> None:
    assert lost_share(minutes(5, lost_records=30, records=90), minutes(5).usage).tolist() == [0.25] * 5
    assert lost_between(minutes(5, lost_records=300, records=100), ms(0), ms(60)) == 0.5


@pytest.mark.parametrize(("lost", "told"), [(1, True), (0, False)])
def test_a_thousandth_is_the_least_that_is_scaled_up(lost: int, told: bool) -> None:
    assert bool(lost_share(minutes(5, lost_records=lost, records=999), minutes(5).usage).any()) == told
    assert not lost_share(minutes(5, lost_records=1, records=1000), minutes(5).usage).any()


def test_the_part_is_that_of_a_quarter_of_an_hour_on_both_sides() -> None:
    """40 minutes of ten records. At minute 20 a hundred are lost: of minutes 5 to 35, whose 31 minutes around have it."""
    case = minutes(40, losses=(event(20 * 60, 100),), lost_records=100, records=400)
    share = lost_share(case, case.usage)
    assert np.flatnonzero(share).tolist() == list(range(5, 36))
    assert share[20] == pytest.approx(100 / 410)
    assert share[5] == pytest.approx(100 / (100 + 210))  # minutes 0 to 20
    assert share[35] == pytest.approx(100 / (100 + 200))  # minutes 20 to 39
    assert lost_between(case, ms(0), ms(300)) == 0.0
    assert lost_between(case, ms(0), ms(301)) == pytest.approx(100 / 310)
    assert lost_between(case, ms(35 * 60), ms(35 * 60)) == pytest.approx(100 / 300)
    assert lost_between(case, ms(36 * 60), ms(40 * 60)) == 0.0


def test_records_that_count_on_no_link_are_lost_alike() -> None:
    """800 came, 400 of them on the links: of twenty in a minute five are lost."""
    case = minutes(40, losses=tuple(event(60 * n + 30, 5) for n in range(40)), lost_records=200, records=800)
    assert lost_share(case, case.usage)[20] == pytest.approx(5 / 25)


def test_losses_before_the_first_window_and_after_the_last_count_there() -> None:
    case = minutes(40, losses=(event(-500, 50), event(99_999, 70)), lost_records=120, records=400)
    share = lost_share(case, case.usage)
    assert (share[0], share[39]) == (pytest.approx(50 / 210), pytest.approx(70 / 230))


def test_an_estimate_is_moved_by_standard_errors_of_the_number_of_losses() -> None:
    """One loss of three messages and one whose messages nobody counted: four in all, an error of a half."""
    losses = (event(1200, 60, messages=3), event(1201, 22, messages=0))
    case = minutes(40, losses=losses, lost_records=82, records=400)
    share = 82 / (82 + 310)
    assert lost_share(case, case.usage)[20] == pytest.approx(share)
    assert lost_share(case, case.usage, -0.5)[20] == pytest.approx(share * 0.75)
    assert lost_share(case, case.usage, 1.0)[20] == pytest.approx(share * 1.5)
    assert lost_share(case, case.usage, 9.0)[20] == 0.5
    assert lost_share(case, case.usage, -9.0)[20] == 0.0
    assert lost_share(case, case.usage, 1.0)[39] == 0.0


def test_shorter_windows_have_the_part_of_their_minute() -> None:
    case = minutes(40, losses=(event(20 * 60, 100),), lost_records=100, records=400)
    short = Usage(ms(240), 10_000, case.usage.links, *np.zeros((3, 2, 2, 18)))
    by_minute = lost_share(case, case.usage)
    assert lost_share(case, short).tolist() == np.repeat(by_minute[4:7], 6).tolist()
    outside = Usage(ms(-60), 60_000, case.usage.links, *np.zeros((3, 2, 2, 42)))
    assert lost_share(case, outside).tolist() == [by_minute[0], *by_minute, by_minute[-1]]


@pytest.mark.parametrize(
    ("begin", "end", "windows"),
    [
        (300, 359, [4, 5]),  # a record of a minute metered up to the loss began a minute before it
        (299.999, 300, [3, 4, 5]),
        (None, 300, [4, 5]),
        (330, 290, [4, 5]),  # clocks disagree: from the one to the other
        (20, 30, [0]),
        (-900, -800, []),
        (570, 5000, [8, 9]),
    ],
)
def test_a_loss_or_a_restart_hides_the_windows_that_its_records_were_metered_in(
    begin: float | None, end: float, windows: list[int]
) -> None:
    loss = minutes(10, losses=(event(end, 5, since=begin),), resolution_s=60)
    assert np.flatnonzero(hidden(loss, loss.usage)).tolist() == windows
    if begin is not None:
        restart = minutes(10, restarts=((ms(begin), ms(end)),), resolution_s=60)
        assert np.flatnonzero(hidden(restart, restart.usage)).tolist() == windows


def test_hidden_times_that_overlap_are_hidden_once_each() -> None:
    case = minutes(10, losses=(event(300, 5), event(330, 5)), restarts=((ms(500), ms(510)),), resolution_s=0)
    assert np.flatnonzero(hidden(case, case.usage)).tolist() == [5, 8]
