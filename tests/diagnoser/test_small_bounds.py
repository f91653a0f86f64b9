"""Leaks, baselines, who is listed, what fills a link, gaps of the export, moments: each at its bound."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.collector.report import LossEvent
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.findings import backup_leak, export_gap
from flowdiag.diagnoser.signals.attribution import rows_within
from flowdiag.diagnoser.signals.baseline import Usual, usual
from flowdiag.diagnoser.signals.filling import fills_link
from flowdiag.diagnoser.signals.full_times import minutes
from flowdiag.diagnoser.signals.shares import who_what_where
from flowdiag.diagnoser.signals.timeline import Grid
from flowdiag.site.profile import Thresholds
from tests.diagnoser.building import MINUTE, Book, ms, profile

SITE = profile(backup=False)
HOUR, DAY = 3600, 86_400
MBPS_MINUTE = 7_500_000


# Leaks --------------------------------------------------------------------------------------------------------------


def leak(octets: float, span: int = HOUR, *, every: int = 20, v6: float = 0.0) -> list[Any]:
    """One host leaks so many octets in an hour, of them a part over IPv6; the site browses over its primary."""
    book = Book()
    book.browse(0, HOUR)
    starts = range(0, HOUR, every)
    for start in starts:
        for part, inside, outside in (
            (1 - v6, "192.168.40.33", "203.0.113.9"),
            (v6, "2001:db8:40::1", "2001:db8:ffff::9"),
        ):
            if part:
                book.row(start, start + 5, way=DOWN, octets=octets / len(starts) * part, link="lte", inside=inside,
                         outside=outside, inside_port=2000 + start)  # fmt: skip
    case = book.case(profile(allowance_gb=10), span=(0, span - 1), heard=[(0, span - 1)])
    return backup_leak.find(case)


@pytest.mark.parametrize(
    ("octets", "span", "found"),
    [
        (1_000_080, HOUR, True),  # a megabyte
        (999_900, HOUR, False),
        (1_000_080, 2 * HOUR, True),  # 1,111 bit/s
        (1_000_080, 3 * HOUR, False),  # 741
        (1_350_000, 3 * HOUR, True),  # 1,000
    ],
)
def test_a_leak_is_a_megabyte_and_a_thousand_bits_a_second(octets: float, span: int, found: bool) -> None:
    assert bool(leak(octets, span)) == found


def test_a_leak_of_an_hour_is_projected_to_a_month() -> None:
    (one,) = leak(18_000_000)
    assert one.evidence["octets_a_day"] == 18_000_000 * 24
    assert one.evidence["month_gb"] == 12.96
    assert one.evidence["passes_allowance"]
    (other,) = leak(13_888_800)  # 9.999936 GB
    assert (other.evidence["passes_allowance"], other.severity) == (False, "warning")
    # 0.54 GB are sure, if it leaks in this hour of each day alone: that it passes 10 GB is not.
    assert (one.evidence["least_month_gb"], one.evidence["measured_hours"]) == (0.54, 1.0)
    assert (one.severity, one.confidence, other.confidence) == ("critical", "medium", "high")
    said = "about 13 GB a month if it goes on like that day and night, 0.54 GB if in those hours alone, of 10 GB allowed"
    assert said in one.summary
    assert "would not last; we measured only 60 minutes" in one.client
    (sure,) = leak(400_000_000)  # 12 GB in that hour of thirty days
    assert (sure.confidence, "will not last" in sure.client) == ("high", True)
    assert leak(13_888_800, HOUR - 60)[0].confidence == "medium"


@pytest.mark.parametrize(("v6", "only"), [(0.99, "IPv6"), (0.98, None), (1.0, "IPv6"), (0.0, None)])
def test_a_leak_is_only_of_one_version_from_99_hundredths_on(v6: float, only: str | None) -> None:
    assert leak(18_000_000, v6=v6)[0].evidence["only"] == only


def test_a_leak_of_version_four_is_told_where_the_site_uses_both() -> None:
    for on_six, only in ((5_000_000, "IPv4"), (4_000_000, None)):
        book = Book()
        book.browse(0, HOUR)  # 37.8 MB
        book.row(0, HOUR, way=DOWN, octets=on_six, inside="2001:db8:40::1", outside="2001:db8:ffff::9")
        for start in range(0, HOUR, 20):
            book.row(
                start,
                start + 5,
                way=DOWN,
                octets=11_111,
                link="lte",
                inside="192.168.40.33",
                inside_port=2000 + start,
            )
        (found,) = backup_leak.find(book.case(span=(0, HOUR)))
        assert found.evidence["only"] == only


# Habits -------------------------------------------------------------------------------------------------------------


def test_three_deviations_over_the_median_are_usual_and_more_is_not() -> None:
    habit = Usual(10.0, 2.0, 5, True, None)  # type: ignore[arg-type]
    # 10 + 3 x 1.4826 x 2 = 18.8956
    assert not habit.is_unusual(18.8956)
    assert habit.is_unusual(18.8957)
    assert habit.times(25.0) == 2.5
    assert Usual(0.0, 0.0, 5, True, None).times(1.0) is None  # type: ignore[arg-type]


def habit_of(
    days: list[int], asked: int, heard: list[tuple[float, float]] | None = None
) -> tuple[int, bool] | None:
    """How many days told what is usual on a day (0 is a Monday) and whether they are the same weekday."""
    book = Book()
    for day in [*days, asked]:
        book.row(day * DAY, day * DAY + HOUR, way=DOWN, octets=10 * MBPS_MINUTE * 60)
    spans = heard or [(day * DAY, day * DAY + HOUR - 1) for day in [*days, asked]]
    found = usual(book.case(SITE, heard=spans), 0, DOWN, ms(asked * DAY), ms(asked * DAY + HOUR))
    return None if found is None else (found.days, found.same_weekday)


@pytest.mark.parametrize(
    ("days", "asked", "found"),
    [
        ([0, 7], 14, (2, True)),
        ([7, 8], 14, (2, False)),  # one Monday, and a Tuesday
        ([11, 12], 14, None),  # a Friday and a Saturday
        ([10, 11, 12, 13], 14, (2, False)),  # Thursday and Friday of these
        ([5, 6, 8], 12, (2, False)),  # weekends for a Saturday
        ([4, 5], 6, None),  # a Friday is no weekend
        ([2, 93], 94, (2, False)),  # 92 days back is a quarter
    ],
)
def test_two_such_weekdays_or_days_alike_are_a_habit(
    days: list[int], asked: int, found: tuple[int, bool] | None
) -> None:
    assert habit_of(days, asked) == found


def test_a_day_counts_that_was_heard_for_four_fifths_of_the_time() -> None:
    for minutes_heard, found in ((48, (2, True)), (47, None)):
        heard = [
            (0.0, minutes_heard * MINUTE - 1),
            (7 * DAY, 7 * DAY + HOUR - 1),
            (14 * DAY, 14 * DAY + HOUR - 1),
        ]
        assert habit_of([0, 7], 14, [(float(a), float(b)) for a, b in heard]) == found


# Who is listed ------------------------------------------------------------------------------------------------------


def listed(*weights: float) -> list[float]:
    book = Book()
    for number, weight in enumerate(weights):
        book.row(0, 1, way=DOWN, octets=weight, outside=f"203.0.113.{number + 1}")
    case = book.case(SITE)
    found = who_what_where(case, np.arange(len(weights)), np.array(weights, float))
    return [row["share"] for row in found["destinations"]]


def test_five_are_listed_and_more_with_a_twentieth_each_up_to_ten() -> None:
    assert listed(50, 40, 4, 3, 2, 1) == [0.5, 0.4, 0.04, 0.03, 0.02]
    assert listed(60, 10, 10, 5, 5, 5, 5) == [0.6, 0.1, 0.1, 0.05, 0.05, 0.05, 0.05]
    assert listed(60, 10, 10, 6, 5, 4.9, 4.1) == [0.6, 0.1, 0.1, 0.06, 0.05]
    assert listed(*[5] * 20) == [0.05] * 10
    assert listed(0) == []
    assert listed(3, 0) == [1.0]


# What fills a link --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("minutes_full", "mbps", "of", "window", "fills"),
    [
        (3, 90, 45, None, True),
        (2, 90, 45, None, False),
        (3, 89.9, 45, None, False),
        (3, 90, 44.9, None, False),  # the smaller part
        (2, 90, 90, (600, 840), True),  # half of four minutes
        (2, 90, 90, (600, 841), False),
        (1, 90, 90, (600, 690), True),  # a minute at least
    ],
)
def test_rows_fill_a_link_that_was_full_for_three_minutes_mainly_by_them(
    minutes_full: int, mbps: float, of: float, window: tuple[float, float] | None, fills: bool
) -> None:
    book = Book()
    for minute in range(10, 10 + minutes_full):
        for part, outside in ((of, "203.0.113.9"), (mbps - of, "203.0.113.10")):
            book.row(minute * 60, minute * 60 + 60, way=DOWN, octets=part * MBPS_MINUTE, outside=outside)
    case = book.case(SITE, span=(0, 1799), window=window)
    rows = np.flatnonzero(case.flows.outside == case.flows.outside[0])
    assert fills_link(case, 0, DOWN, rows) == fills
    assert not fills_link(case, 0, UP, rows)


def test_octets_of_a_row_count_by_their_part_in_the_spans() -> None:
    book = Book()
    book.row(0, 100, way=DOWN, octets=1000)
    book.row(90, 100, way=UP, octets=1000)
    book.row(60, 60, way=DOWN, octets=77)
    book.row(200, 300, way=DOWN, octets=500)
    book.row(301, 302, way=DOWN, octets=500)
    case = book.case(SITE)
    rows, octets = rows_within(case, 0, DOWN, [(ms(0), ms(30)), (ms(60), ms(210))])
    assert rows.tolist() == [0, 2, 3]
    assert octets.tolist() == pytest.approx([700, 77, 50])


def test_lengths_are_minutes_to_a_hundredth() -> None:
    assert minutes(120_000) == 2
    assert isinstance(minutes(60_000), int)
    assert minutes(10_000) == 0.17


# Gaps of the export -------------------------------------------------------------------------------------------------


def lossy(*times: tuple[float, int], window: tuple[float, float] = (0, 3600), **coverage: Any) -> Case:
    book = Book()
    book.browse(0, HOUR)
    case = book.case(SITE, span=(0, HOUR - 1), window=window)
    losses = tuple(LossEvent(b"", 0, ms(at), 1, records) for at, records in times)
    told: dict[str, Any] = {
        "losses": losses,
        "lost_records": sum(records for _, records in times),
        **coverage,
    }
    return replace(case, coverage=replace(case.coverage, **told))


def test_losses_of_the_window_are_those_noticed_up_to_two_minutes_after_it() -> None:
    for at, found in ((600, 1), (599.999, 0), (1319.999, 1), (1320, 0)):
        assert len(export_gap.find(lossy((at, 20), window=(600, 1200)))) == found


def test_a_loss_is_told_with_its_whole_minutes_and_its_part_of_the_records() -> None:
    (finding,) = export_gap.find(lossy((610, 100), (1210, 100), window=(600, 1800)))
    assert (finding.start_ms, finding.end_ms) == (ms(600), ms(1260))
    # A conversation each two seconds, two records each, 600 that end from 600 s to 1800 s: 1,200 records.
    assert finding.evidence["lost_percent"] == round(100 * 200 / 1400, 2)
    assert (finding.severity, finding.confidence) == ("warning", "high")
    (estimated,) = export_gap.find(lossy((610, 1), window=(600, 1800), lost_is_estimate=True))
    assert (estimated.severity, estimated.confidence) == ("info", "medium")


def test_losses_without_a_time_are_those_of_the_whole_export() -> None:
    (finding,) = export_gap.find(lossy(lost_records=36, window=(600, 1800)))
    assert (finding.start_ms, finding.end_ms, finding.evidence["lost_records"]) == (ms(600), ms(1860), 36)
    assert export_gap.find(lossy(lost_records=0)) == []


@pytest.mark.parametrize(
    ("begin", "end", "share"), [(600, 900, 0.25), (500, 900, 0.25), (1700, 2000, 0.0833), (0, 600, 0.0)]
)
def test_a_restart_weighs_by_its_part_of_the_window(begin: float, end: float, share: float) -> None:
    case = lossy(window=(600, 1800), restarts=((ms(begin), ms(end)),))
    (finding,) = export_gap.find(case)
    assert finding.evidence["share_of_window"] == share
    assert finding.evidence["silent_minutes"] == round((end - begin) / 60, 2)
    assert finding.severity == ("warning" if share >= 0.05 else "info")


def test_five_silences_are_told_one_by_one_and_six_as_one() -> None:
    for count in (5, 6):
        book = Book()
        for number in range(count + 1):
            book.browse(number * 1800, number * 1800 + 1440)
        heard = [(n * 1800.0, n * 1800.0 + 1439) for n in range(count + 1)]
        case = book.case(SITE, heard=heard)
        assert len(export_gap.find(case)) == (5 if count == 5 else 1)


# The grid -----------------------------------------------------------------------------------------------------------


def test_times_are_clipped_into_the_grid() -> None:
    grid = Grid(1000, 100, 5)
    assert grid.bin_of(np.array([0, 1000, 1099, 1100, 1499, 1500, 9999])).tolist() == [0, 0, 0, 1, 4, 4, 4]
    assert Grid(0, 100, 0).bin_of(np.array([50])).tolist() == [0]
    assert (grid.end_ms, grid.time_of(3)) == (1500, 1300)


def test_only_what_lies_in_the_grid_is_covered_starts_and_is_spread() -> None:
    grid = Grid(1000, 100, 3)
    start, end = np.array([900, 950, 1300, 1299, 1100]), np.array([999, 1000, 1400, 1500, 1100])
    assert grid.covering(start, end).tolist() == [1, 1, 1]
    assert grid.covering(start, end, np.array([True, True, True, True, False])).tolist() == [1, 0, 1]
    assert grid.starting(start).tolist() == [0, 1, 1]
    # 201 ms from 1299 on: one of them within the grid. 50 ms up to the grid's begin: none.
    spread = grid.spread(start, end, np.array([7.0, 50.0, 9.0, 201.0, 3.0]))
    assert spread.tolist() == pytest.approx([0, 3, 1])


def test_a_threshold_of_the_profile_takes_the_place_of_the_usual_one() -> None:
    case = lossy((610, 100), window=(600, 1800))
    site = profile(backup=False, thresholds=Thresholds(gap=0.2))
    assert [one.severity for one in export_gap.find(replace(case, profile=site))] == ["info"]
