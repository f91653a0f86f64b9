"""Sustained episodes. The rules are the project's own; every figure is worked out by hand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.signals.episodes import (
    MOST_EPISODES,
    NEAR,
    Episode,
    episodes,
    sampling_error,
    smoothing,
    sustained,
    unblurred,
)
from flowdiag.diagnoser.signals.sustained import Run
from tests.diagnoser.building import MINUTE, Book, ms, profile

MBPS_MINUTE = 7_500_000  # octets of one Mbit/s over a minute


def runs_of(pattern: str) -> list[tuple[int, int]]:
    """Sustained runs of a pattern of windows over (o) and under (.) the threshold."""
    over = np.array([sign == "o" for sign in pattern])
    return sustained(over, over.astype(float), 0.9)


def link_at(*mbps: float, way: int = DOWN, resolution_s: int = 60) -> Book:
    """A book whose link runs at these rates, one record a minute."""
    book = Book()
    for minute, rate in enumerate(mbps):
        if rate:
            start = minute * MINUTE
            book.row(start, start + MINUTE, way=way, octets=rate * MBPS_MINUTE)
    return book


@pytest.mark.parametrize(
    ("pattern", "runs"),
    [
        ("...ooo...", [(3, 6)]),
        ("...oo....", []),
        ("ooo.oo", [(0, 6)]),
        ("oo.oo", []),  # never three in a row, and too few to be sustained all the same
        ("oo.oo.oo", [(0, 8)]),  # six of eight
        ("o.o.o.o.o.o.o", []),  # half of the time is not two thirds
        ("ooo..ooo", [(0, 3), (5, 8)]),
        ("", []),
        ("ooo", [(0, 3)]),
    ],
)
def test_three_windows_in_a_row_are_sustained_and_single_gaps_bridged(
    pattern: str, runs: list[tuple[int, int]]
) -> None:
    assert runs_of(pattern) == runs


def windows_of(found: Sequence[Episode]) -> list[tuple[int, int, tuple[Run, ...]]]:
    """Link, direction and windows of each."""
    return [(episode.link, episode.direction, episode.spans) for episode in found]


def test_a_rate_of_exactly_the_threshold_is_full() -> None:
    case = link_at(1, 90, 90, 90, 1).case(profile(backup=False))
    assert windows_of(episodes(case).full) == [(0, DOWN, ((1, 4),))]


def test_a_rate_a_little_under_the_threshold_is_busy_only() -> None:
    found = episodes(link_at(1, 89.9, 89.9, 89.9, 1).case(profile(backup=False)))
    assert found.full == ()
    assert windows_of(found.busy) == [(0, DOWN, ((1, 4),))]


def test_upload_is_held_against_the_upload_rate() -> None:
    found = episodes(link_at(18, 18, 18, way=UP).case(profile(backup=False)))
    assert windows_of(found.full) == [(0, UP, ((0, 3),))]


def test_the_rise_to_a_full_link_is_not_told_twice() -> None:
    found = episodes(link_at(75, 80, 95, 95, 95, 85, 75).case(profile(backup=False)))
    assert windows_of(found.full) == [(0, DOWN, ((2, 5),))]
    assert found.busy == ()


def test_ten_busy_minutes_beside_a_full_time_are_a_finding_of_their_own() -> None:
    found = episodes(link_at(*[95] * 4, *[80] * 10).case(profile(backup=False)))
    assert windows_of(found.full) == [(0, DOWN, ((0, 4),))]
    assert windows_of(found.busy) == [(0, DOWN, ((4, 14),))]


def test_no_window_is_both_full_and_busy() -> None:
    rates = [*[80] * 12, *[95] * 5, *[80] * 3, *[95] * 4, *[75] * 11]
    found = episodes(link_at(*rates).case(profile(backup=False)))
    full = {int(w) for episode in found.full for w in episode.windows()}
    busy = {int(w) for episode in found.busy for w in episode.windows()}
    assert not full & busy
    assert (len(found.full), len(found.busy)) == (2, 2)


def spells(*gaps: int) -> list[float]:
    """Full for three minutes, a pause, full for three minutes, and so on; ten minutes before and after."""
    rates: list[float] = [10] * 10
    for gap in gaps:
        rates += [95] * 3 + [10] * gap
    return [*rates, *[95] * 3, *[10] * 10]


def test_a_few_episodes_stand_each_by_itself() -> None:
    found = episodes(link_at(*spells(*[2] * (MOST_EPISODES - 1))).case(profile(backup=False))).full
    assert [len(episode.spans) for episode in found] == [1] * MOST_EPISODES


def test_of_too_many_episodes_near_ones_are_one() -> None:
    found = episodes(link_at(*spells(5, 5, NEAR, NEAR + 1, 5, 5)).case(profile(backup=False))).full
    assert [len(episode.spans) for episode in found] == [4, 3]


def test_where_even_far_ones_are_too_many_the_widest_gaps_stay() -> None:
    gaps = [20, 30, 40, 21, 50, 22, 60, 70]
    found = episodes(link_at(*spells(*gaps)).case(profile(backup=False))).full
    assert [len(episode.spans) for episode in found] == [2, 1, 2, 2, 1, 1]


def test_episodes_in_the_window_are_not_joined_with_those_around_it() -> None:
    """Ten spells five minutes apart begin at minutes 10, 18 and so on; the window takes the fourth and the fifth."""
    case = link_at(*spells(*[5] * 9)).case(profile(backup=False), window=(33 * 60, 46 * 60))
    found = episodes(case).full
    assert [len(episode.spans) for episode in found] == [3, 1, 1, 5]
    assert found[1].spans + found[2].spans == ((34, 37), (42, 45))
    apart = link_at(*spells(*[20] * 9)).case(profile(backup=False), window=(100 * 60, 130 * 60))
    assert [len(episode.spans) for episode in episodes(apart).full] == [1, 3, 1, 1, 1, 3]


def test_nothing_is_said_where_links_cannot_be_told_apart() -> None:
    assert episodes(link_at(95, 95, 95).case(links_apart=False)).full == ()


def test_what_exceeds_the_plan_was_sent_in_the_minutes_beside() -> None:
    shares = np.array([0.5, 0.88, 1.06, 0.88, 0.5])
    assert unblurred(shares, 1.0) == pytest.approx([0.5, 0.91, 1.0, 0.91, 0.5])


def test_a_rate_far_over_the_plan_is_a_wrong_plan_and_stays_where_it_is() -> None:
    shares = np.array([0.5, 1.4, 0.5])
    assert unblurred(shares, 1.0).tolist() == shares.tolist()


@given(st.lists(st.floats(0, 1.14), min_size=1, max_size=40), st.floats(0.5, 8))
def test_unblurring_moves_octets_and_loses_none(shares: list[float], reach: float) -> None:
    before = np.array(shares)
    after = unblurred(before, reach)
    assert after.sum() == pytest.approx(before.sum())
    assert (after[before <= 1.0] >= before[before <= 1.0]).all()
    assert (after[before <= 1.0] <= 1.0 + 1e-12).all()


def test_the_error_of_a_sampled_window_follows_the_number_of_sampled_packets() -> None:
    # 100 Mbit/s for a minute in 1000-octet packets are 750,000 packets, 750 of them sampled at 1 in 1000:
    # sqrt(1/750) = 3.65% (RFC 5475; trade arithmetic).
    book = Book()
    for minute in range(20):
        book.row(minute * 60, minute * 60 + 60, way=DOWN, octets=50 * MBPS_MINUTE, sampling=1000)
    case = book.case(profile(backup=False))
    assert sampling_error(case, 0, DOWN) == pytest.approx(0.03651, abs=1e-4)
    assert smoothing(case, 0, DOWN) == 5  # (3.65 / 2)^2 = 3.3 windows, the next odd number


def test_single_windows_that_sampling_makes_full_are_averaged_away() -> None:
    book = Book()
    for minute in range(30):
        rate = 93 if minute in (10, 11, 12) else 80
        book.row(minute * 60, minute * 60 + 60, way=DOWN, octets=rate * MBPS_MINUTE, sampling=1000)
    found = episodes(book.case(profile(backup=False)))
    assert found.full == ()


def test_a_sampled_link_that_is_full_for_long_is_full_to_its_edges() -> None:
    book = Book()
    for minute in range(40):
        rate = 96 if 10 <= minute < 30 else 5
        book.row(minute * 60, minute * 60 + 60, way=DOWN, octets=rate * MBPS_MINUTE, sampling=1000)
    assert windows_of(episodes(book.case(profile(backup=False))).full) == [(0, DOWN, ((10, 30),))]


def test_the_seconds_that_the_export_covers_decide_whether_minutes_are_sustained() -> None:
    """Full to the end of the export: the last window is covered for some seconds only."""
    for seconds, sustained_ in ((130, False), (185, True)):
        book = link_at(*[1] * 30)
        begin = 30 * MINUTE - (seconds - 5)
        book.row(begin, 30 * MINUTE + 5, way=DOWN, octets=95 * MBPS_MINUTE * seconds / 60)
        case = book.case(profile(backup=False))
        case = replace(case, usage=case.usage.covering((case.usage.start_ms, ms(30 * MINUTE + 5))))
        found = episodes(case)
        assert bool(found.full) == sustained_
        assert not found.busy
        for episode in found.full:
            assert episode.times(case) == (ms(begin), ms(30 * MINUTE + 5))
