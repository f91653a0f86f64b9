"""Rates where records were lost; figures by hand, on a plan of 100 Mbit/s that counts IP octets."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.collector.report import LossEvent
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.signals.losses import hidden, lost_between, lost_in_window, lost_share
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
