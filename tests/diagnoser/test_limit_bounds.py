"""Spells at a limit, too many episodes, habits and edges: their own functions at their bounds."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals import (
    at_limit,
    baseline,
    edges,
    episodes,
)
from flowdiag.diagnoser.signals.at_limit import AtLimit
from flowdiag.diagnoser.signals.episodes import Episode
from flowdiag.durations import MINUTE_MS
from flowdiag.site.profile import Profile
from tests.diagnoser.building import MINUTE, Book, bare, ms, profile

SITE = profile(backup=False)
MBPS_MINUTE = 7_500_000


# Spells at a limit --------------------------------------------------------------------------------------------------


def minutes(*rates: float, site: Profile = SITE, **more: Any) -> Case:
    """Downloads at a rate in Mbit/s in each minute."""
    book = Book()
    for minute, rate in enumerate(rates):
        book.row(minute * MINUTE, (minute + 1) * MINUTE - 0.001, way=DOWN, octets=rate * MBPS_MINUTE)
    return book.case(site, **more)


@pytest.mark.parametrize(
    ("resolution_s", "sampling", "lengths"),
    [
        (10, 1.0, (10_000, 20_000)),
        (5, 1.0, (5_000, 10_000)),
        (2, 1.0, (5_000, 4_000)),
        (14, 1.0, (10_000, 28_000)),
        (16, 1.0, (10_000, 30_000)),
        (60, 1.0, (10_000, 30_000)),
        (5, 2.0, (60_000, 30_000)),
    ],
)
def test_a_spell_is_two_windows_of_the_resolution_half_a_minute_at_most(
    monkeypatch: pytest.MonkeyPatch, resolution_s: int, sampling: float, lengths: tuple[int, int]
) -> None:
    monkeypatch.setattr(at_limit, "resolved_ms", lambda coverage: resolution_s * 1000)
    case = bare()
    case = replace(case, coverage=replace(case.coverage, sampling=sampling))
    assert at_limit._lengths(case) == lengths


def test_the_figures_of_spells() -> None:
    spells = ((ms(0), ms(30)), (ms(60), ms(100)), (ms(200), ms(240)))
    limit = AtLimit(0, DOWN, spells, 440_000, ((90.0, 95.0), (97.0, 99.0), (92.0, 98.0)))
    assert limit.longest == spells[1]  # the first of two as long
    assert (limit.start_ms, limit.end_ms, limit.longest_ms, limit.rate_mbps) == (
        ms(60),
        ms(100),
        40_000,
        97.0,
    )
    assert (limit.total_ms, limit.share) == (110_000, 0.25)
    assert limit.rates(spells) == ((30 * 90 + 40 * 97 + 40 * 92) / 110, 99.0)
    assert limit.rates(spells[2:]) == (92.0, 98.0)


@pytest.mark.parametrize(
    ("rates", "begin", "end", "may_be"),
    [
        # 90 Mbit/s for half of half a minute are 22.5 in a minute.
        ([0, 0, 22.5, 0], 0, 240, True),
        ([0, 0, 22.4, 0], 0, 240, False),
        ([0, 0, 22.5, 0], 180, 240, False),
        ([0, 0, 22.5, 0], 179.999, 240, True),
        ([0, 0, 22.5, 0], 0, 120, False),
        ([0, 0, 22.5, 0], 0, 120.001, True),
        ([22.5, 0, 0, 0], -600, 60, True),
        ([22.5, 0, 0, 0], -600, 0, False),
        ([22.5, 0, 0, 22.5], 900, 960, False),
    ],
)
def test_a_spell_may_be_where_a_minute_carried_half_of_one(
    rates: list[float], begin: float, end: float, may_be: bool
) -> None:
    case = minutes(*rates, span=(0, 239))
    assert at_limit._may_be(case, 0, DOWN, 90.0, ms(begin), ms(end), 30_000) == may_be


@pytest.mark.parametrize(
    ("begin", "end", "grid"), [(0, 60, (0, 6)), (5, 60, (0, 6)), (10, 61, (10, 6)), (19.999, 20.001, (10, 2))]
)
def test_steps_cover_the_window(begin: float, end: float, grid: tuple[float, int]) -> None:
    found, rate = at_limit._rates(minutes(60, 30), 0, DOWN, ms(begin), ms(end), 10_000)
    assert ((found.start_ms - ms(0)) / 1000, found.bins) == grid
    assert rate[0] == pytest.approx(60, rel=1e-3)


def test_of_a_sampled_export_the_minutes_of_the_window_are_taken() -> None:
    case = minutes(10, 20, 30, 40)
    case = replace(case, coverage=replace(case.coverage, sampling=10.0))
    for begin, end, first, rates in (
        (0, 240, 0, [10, 20, 30, 40]),
        (61, 180, 1, [20, 30]),
        (-90, 61, 0, [10, 20]),
    ):
        found, rate = at_limit._rates(case, 0, DOWN, ms(begin), ms(end), 60_000)
        assert (found.start_ms, found.step_ms, found.bins) == (ms(60 * first), 60_000, len(rates))
        assert rate.tolist() == pytest.approx(rates)


@pytest.mark.parametrize(
    ("start", "end", "belongs"), [(0, 60, False), (0, 60.001, True), (360, 400, False), (359.999, 400, True)]
)
def test_a_spell_within_a_minute_of_a_sustained_time_belongs_to_it(
    start: float, end: float, belongs: bool
) -> None:
    sustained = [Episode(0, DOWN, ((2, 5),))]
    assert at_limit._belongs(bare(), sustained, ms(start), ms(end)) == belongs


@pytest.mark.parametrize(
    ("limits", "covered_s", "left"),
    [
        ([(0, DOWN, 0, 50)], 100, 1),  # half of it
        ([(0, DOWN, 0, 49.999)], 100, 0),
        ([(0, DOWN, 0, 30), (0, UP, 25, 50)], 100, 2),  # one or the other
        ([(0, DOWN, 0, 30), (0, UP, 10, 30)], 100, 0),
        ([(0, DOWN, 0, 30), (1, UP, 30, 60)], 100, 0),  # of two links
        ([(1, DOWN, 0, 10), (0, UP, 0, 60)], 100, 1),
        ([(0, DOWN, 0, 100)], 179.999, 1),
        ([(0, DOWN, 0, 100)], 180, 0),  # long enough for a sustained finding
    ],
)
def test_a_short_time_at_a_limit_is_left_open(
    monkeypatch: pytest.MonkeyPatch, limits: list[Any], covered_s: float, left: int
) -> None:
    found = tuple(
        AtLimit(link, way, ((ms(a), ms(b)),), round(1000 * covered_s), ((95.0, 99.0),))
        for link, way, a, b in limits
    )
    monkeypatch.setattr(at_limit, "at_limit", lambda case: found)
    assert len(at_limit.left_open(bare())) == left


@pytest.mark.parametrize(("end", "found"), [(30, 1), (29.999, 0)])
def test_a_window_shorter_than_a_spell_holds_none(
    monkeypatch: pytest.MonkeyPatch, end: float, found: int
) -> None:
    told = AtLimit(0, DOWN, ((ms(0), ms(30)),), 30_000, ((95.0, 99.0),))
    monkeypatch.setattr(at_limit, "_lengths", lambda case: (10_000, 30_000))
    monkeypatch.setattr(
        at_limit,
        "_of_direction",
        lambda case, link, direction, *more: told if (link, direction) == (0, DOWN) else None,
    )
    assert len(at_limit.at_limit(bare(window=(0, end)))) == found
    case = bare(window=(0, end))
    assert at_limit.at_limit(replace(case, coverage=replace(case.coverage, links_apart=False))) == ()


def test_the_longest_spell_comes_first_then_links_and_directions_in_order(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lengths = {(0, DOWN): 30, (0, UP): 60, (1, DOWN): 60, (1, UP): 60}
    monkeypatch.setattr(
        at_limit, "_of_direction",
        lambda case, link, way, *more: AtLimit(link, way, ((ms(0), ms(lengths[link, way])),), 99, ((1.0, 1.0),)),
    )  # fmt: skip
    found = at_limit.at_limit(bare(profile()))
    assert [(limit.link, limit.direction) for limit in found] == [(0, UP), (1, DOWN), (1, UP), (0, DOWN)]


# Habits -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("begin", "end", "heard", "mean"),
    [
        (60, 180, (0, 600), 2.5),  # the second and the third minute
        (60, 60, (0, 600), 2.0),  # one minute at least
        (60, 119, (0, 600), 2.0),
        (0, 300, (60, 600), 3.0),  # heard four fifths of it
        (0, 300, (120, 600), None),
        (0, 601, (0, 600), None),  # not all of it is there
    ],
)
def test_a_day_counts_where_four_fifths_of_the_time_were_heard(
    begin: float, end: float, heard: tuple[float, float], mean: float | None
) -> None:
    case = minutes(*range(1, 10), heard=[heard])
    rate = case.usage.mbps(0, DOWN)
    found = baseline._mean(case, rate, ms(begin), ms(end))
    assert found == (None if mean is None else pytest.approx(mean))


# Edges --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("inside", "outside", "steps"),
    [
        # Of a threshold of 90: what follows each other from the edge outwards, and from it inwards.
        ([95, 95, 95], [95, 95, 10], 2),
        ([95, 95, 95], [90, 10, 10], 1),
        ([95, 95, 95], [89.9, 95, 10], 2),  # 92.45 on average
        ([95, 95, 95], [89.9, 90, 10], 0),  # 89.95
        ([95, 95, 95], [45, 135, 10], 2),
        ([95, 95, 95], [44.9, 200, 10], 0),  # far under it right beside the edge
        ([89.9, 95, 95], [95, 95, 95], 0),  # the edge itself is under it
        ([90, 95, 95], [95, 95, 95], 3),
        ([44.9, 95, 95], [10, 10, 10], -1),
        ([45, 95, 95], [10, 10, 10], 0),
        ([44.9, 44.9, 95], [10, 10, 10], -2),
        ([44.9, 44.9, 44.9], [10, 10, 10], 0),  # nothing of it is at the threshold
        ([44.9, 45, 44.9], [10, 10, 10], -1),
    ],
)
def test_an_edge_reaches_as_far_as_the_rate_does(
    inside: list[float], outside: list[float], steps: int
) -> None:
    assert edges._reach(np.array([*inside[::-1], *outside], float), 90.0) == steps


def edged(*spans: tuple[float, float, float], resolution_s: int = 60) -> Case:
    """Downloads at rates in Mbit/s from and to so many seconds, in records of five seconds."""
    book = Book()
    for begin, end, mbps in spans:
        for start in np.arange(begin, end, 5):
            book.row(float(start), float(start) + 4.999, way=DOWN, octets=mbps * 625_000)
    return book.case(SITE, span=(0, 1200), resolution_s=resolution_s)


def refined(case: Case, *found: tuple[int, int], width: int = 1) -> list[tuple[float, float]]:
    moved = edges.refined(case, case.usage, 0, DOWN, list(found), 0.9, width)
    return [((begin - ms(0)) / 1000, (end - ms(0)) / 1000) for begin, end in moved]


def test_edges_follow_the_records() -> None:
    case = edged((280, 580, 91))
    assert refined(case, (5, 9)) == [(280, 580)]
    assert refined(case, (5, 10)) == [(280, 580)]
    assert refined(case, (4, 9)) == [(280, 580)]
    assert refined(case, (5, 9), width=3) == [(300, 540)]
    # A rate of 89 is not full, though it would be if steps were shorter.
    assert refined(edged((280, 580, 89)), (5, 9)) == [(300, 540)]
    # Two times that meet share no second.
    assert refined(case, (5, 7), (7, 9)) == [(280, 480), (480, 580)]


def test_edges_stand_where_records_are_long_and_where_there_are_more_than_twelve() -> None:
    assert refined(edged((280, 580, 91), resolution_s=61), (5, 9)) == [(300, 540)]
    assert refined(edged((280, 580, 91)), *[(5, 9)] * 12)[0] == (280, 580)
    assert refined(edged((280, 580, 91)), *[(5, 9)] * 13)[0] == (300, 540)
    case = edged((280, 580, 91))
    short = replace(case.usage, window_ms=30_000)
    assert edges.refined(case, short, 0, DOWN, [(10, 18)], 0.9, 1) == [(ms(300), ms(540))]


# Sampling and too many episodes -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("error", "width"), [(0.02, 1), (0.0201, 3), (0.034, 3), (0.036, 5), (0.5, 15)])
def test_so_many_windows_bring_the_error_under_two_hundredths(
    monkeypatch: pytest.MonkeyPatch, error: float, width: int
) -> None:
    monkeypatch.setattr(episodes, "sampling_error", lambda case, link, direction: error)
    case = bare()
    assert episodes.smoothing(case, 0, DOWN) == 1
    assert episodes.smoothing(replace(case, coverage=replace(case.coverage, sampling=2.0)), 0, DOWN) == width


def test_busy_times_beside_full_ones_are_cut_out_and_short_rests_dropped() -> None:
    assert episodes._beside([(0, 40)], [(10, 20)], MINUTE_MS) == [(0, 10), (20, 40)]
    assert episodes._beside([(0, 40)], [(9, 31)], MINUTE_MS) == []
    assert episodes._beside([(0, 40)], [(0, 5), (15, 31)], MINUTE_MS) == [(5, 15)]
    assert episodes._beside([(0, 5), (6, 9)], [(5, 6)], MINUTE_MS) == [(0, 5), (6, 9)]
    assert episodes._beside([(0, 100)], [(60, 61)], 10_000) == [(0, 60)]


def test_groups_are_of_near_runs_or_cut_at_the_widest_gaps() -> None:
    runs = [(0, 1), (5, 6), (30, 31), (40, 41), (90, 91)]
    assert episodes._grouped(runs, 5, 15) == [(run,) for run in runs]
    assert episodes._grouped(runs, 4, 15) == [tuple(runs[:2]), tuple(runs[2:4]), (runs[4],)]
    assert episodes._grouped(runs, 2, 15) == [tuple(runs[:4]), (runs[4],)]
    assert episodes._grouped(runs, 1, 15) == [tuple(runs)]
    # Of equal gaps the first is cut.
    assert episodes._grouped([(0, 1), (21, 22), (42, 43)], 2, 15) == [((0, 1),), ((21, 22), (42, 43))]
    # Fifteen minutes apart is near.
    assert episodes._grouped([(0, 1), (16, 17)], 1, 15) == [((0, 1), (16, 17))]
    assert episodes._grouped([(0, 1), (16, 17), (33, 34)], 2, 15) == [((0, 1), (16, 17)), ((33, 34),)]


def test_runs_before_and_after_the_window_are_grouped_by_themselves() -> None:
    case = bare(window=(600, 1200))
    runs = [(0, 1), (3, 4), (9, 10), (10, 12), (19, 20), (20, 21), (25, 26)]
    found = episodes._grouped_by_time(case, case.usage, runs)
    assert found == [tuple(runs[:3]), *((run,) for run in runs[3:])]
    assert episodes._grouped_by_time(case, case.usage, runs[:6]) == [(run,) for run in runs[:6]]
