"""Spans of an episode, and the windows in which the figures of a case are kept."""

from __future__ import annotations

import pytest

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.episodes import Episode, episodes
from flowdiag.diagnoser.signals.figure_windows import figure_windows
from tests.diagnoser.building import MINUTE, Book, ms, profile

SITE = profile(backup=False)
FULL_A_SECOND = 12_500_000
JOINED = Episode(0, DOWN, ((2, 5), (8, 9)))


def hour(**more: float) -> Case:
    """An hour of 1, 2, 3 ... Mbit/s, a minute each."""
    book = Book()
    for minute in range(60):
        book.row(minute * MINUTE, (minute + 1) * MINUTE, way=DOWN, octets=(minute + 1) * 7_500_000)
    return book.case(SITE, span=(0, 3599))


def test_an_episode_reaches_from_its_first_span_to_its_last() -> None:
    case = hour()
    assert (JOINED.first, JOINED.stop) == (2, 9)
    assert JOINED.windows().tolist() == [2, 3, 4, 8]
    assert JOINED.rates(case).tolist() == pytest.approx([3, 4, 5, 9])
    assert JOINED.times(case) == (ms(120), ms(540))
    assert JOINED.span_times(case) == [(ms(120), ms(300)), (ms(480), ms(540))]


def test_edges_of_the_records_take_the_place_of_the_windows() -> None:
    case = hour()
    moved = Episode(0, DOWN, JOINED.spans, edges=((ms(110), ms(290)), (ms(485), ms(530))))
    assert moved.times(case) == (ms(110), ms(530))
    assert moved.span_times(case) == [(ms(110), ms(290)), (ms(485), ms(530))]
    assert moved.window_times(case) == JOINED.span_times(case)


@pytest.mark.parametrize(
    ("begin", "end", "overlaps", "part"),
    [
        (0, 120, False, 0.0),
        (0, 121, True, 1 / 121),
        (299, 480, True, 1 / 181),
        (300, 480, False, 0.0),
        (540, 600, False, 0.0),
        (539, 600, True, 1 / 61),
        (120, 540, True, 240 / 420),
        (130, 140, True, 1.0),
        (130, 130, True, 0.0),
    ],
)
def test_spans_overlap_what_they_have_in_common_with(
    begin: int, end: int, overlaps: bool, part: float
) -> None:
    case = hour()
    assert JOINED.overlaps(case, ms(begin), ms(end)) == overlaps
    assert JOINED.part_of(case, ms(begin), ms(end)) == pytest.approx(part)


def spell(
    begin: float, end: float, window: tuple[float, float], resolution_s: int = 10
) -> list[tuple[int, int]]:
    """Full times, in seconds, of ten minutes' browsing in which the line was full from begin to end."""
    book = Book()
    book.browse(0, 600)
    for start in range(round(begin), round(end), 10):
        book.row(start, start + 10, way=DOWN, octets=FULL_A_SECOND * 9.8)
    case = book.case(SITE, resolution_s=resolution_s, window=window)
    return [
        ((a - ms(0)) // 1000, (b - ms(0)) // 1000)
        for episode in episodes(case).full
        for a, b in episode.window_times(case)
    ]


def test_a_minute_that_is_half_of_the_time_asked_about_is_a_full_time_within_it_only() -> None:
    assert spell(200, 260, (200, 320)) == [(200, 260)]
    assert spell(200, 260, (200, 321)) == []  # less than half
    assert spell(200, 250, (200, 290)) == []  # less than a minute
    assert spell(200, 260, (260, 330)) == []
    assert spell(200, 260, (130, 200)) == []
    assert spell(200, 320, (130, 260)) == []  # 65 s of 130 are asked for, and a minute of it lies within


def test_windows_of_half_a_minute_show_no_minute_well_enough() -> None:
    assert spell(210, 270, (210, 330), resolution_s=15) == [(210, 270)]
    assert spell(210, 270, (210, 330), resolution_s=30) == []


def test_figures_of_half_an_hour_and_more_are_those_of_minutes() -> None:
    case = hour()
    book = Book()
    book.browse(0, 3600)
    assert figure_windows(book.case(SITE, resolution_s=10, window=(0, 1800))).usage is not case.usage
    for window, window_ms in (((0, 1800), 60_000), ((0, 1799), 10_000), ((1800, 3600), 10_000)):
        found = figure_windows(book.case(SITE, resolution_s=10, window=window))
        assert found.usage.window_ms == window_ms, window
        assert len(found.heard) == found.usage.windows


@pytest.mark.parametrize(
    ("asked_h", "first_h", "past_h"),
    [(10, 0, 34.25), (30, 6, 54.25), (70, 46, 72), (97, None, None), (-25, None, None)],
)
def test_short_windows_reach_a_day_around_the_time_asked_about(
    asked_h: float, first_h: float | None, past_h: float | None
) -> None:
    """Three days of records; a quarter of an hour is asked about."""
    book = Book()
    for hour_of in range(72):
        book.row(hour_of * 3600, hour_of * 3600 + 10, way=DOWN, octets=1000)
    case = book.case(
        SITE, span=(0, 72 * 3600 - 1), resolution_s=10, window=(asked_h * 3600, (asked_h + 0.25) * 3600)
    )
    usage = figure_windows(case).usage
    if first_h is None or past_h is None:
        assert usage is case.usage
    else:
        assert (usage.start_ms, usage.end_ms) == (ms(first_h * 3600), ms(past_h * 3600))
