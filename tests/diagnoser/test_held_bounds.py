"""Levels that transfers hold, spells at a limit and edges of full times, at their bounds. A plan of 100 Mbit/s."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.at_limit import AtLimit, at_limit, covered_window, left_open, limited_ms
from flowdiag.diagnoser.signals.edges import _reach
from flowdiag.diagnoser.signals.episodes import episodes
from flowdiag.diagnoser.signals.held_levels import (
    HeldLevel,
    _step_ms,
    _without_outliers,
    held_levels,
    is_told,
)
from tests.diagnoser.building import UDP, Book, ms, profile

SITE = profile(backup=False)
MBPS_SECOND = 125_000


def transfer(
    book: Book, begin: int, end: int, mbps: float, *, record: int = 10, number: int = 0, **more: Any
) -> Book:
    """One conversation at a rate, in records of so many seconds and packets of 1000 octets."""
    for start in range(begin, end, record):
        stop = min(start + record, end)
        octets = mbps * MBPS_SECOND * (stop - start)
        how: dict[str, Any] = {"packets": octets / 1000, "outside": f"203.0.113.{100 + number}", **more}
        book.row(start, stop, way=DOWN, octets=octets, inside=f"192.168.40.{20 + number}", **how)
    return book


def levels(book: Book, resolution_s: int = 10, span: float = 3600, **more: Any) -> tuple[HeldLevel, ...]:
    return held_levels(book.case(SITE, span=(0, span), resolution_s=resolution_s, **more))


@pytest.mark.parametrize(
    ("seconds", "mbps", "found"),
    [(20, 60, True), (15, 60, False), (60, 20, True), (60, 19.9, False), (60, 89.9, True), (60, 90, False)],
)
def test_a_level_is_twenty_seconds_between_a_fifth_of_the_plan_and_full(
    seconds: int, mbps: float, found: bool
) -> None:
    assert bool(levels(transfer(Book(), 600, 600 + seconds, mbps, record=5))) == found


@pytest.mark.parametrize(
    ("of_each", "number", "how", "found"),
    [
        (2.0, 15, {}, True),  # a fiftieth of the plan is a transfer over TCP
        (1.99, 15, {}, False),
        (10.0, 3, {"protocol": UDP}, True),  # and a tenth over UDP
        (9.9, 3, {"protocol": UDP}, False),
        (10.0, 3, {"packets": 50_000}, False),  # 250 octets each: no data
    ],
)
def test_what_takes_little_is_no_transfer(
    of_each: float, number: int, how: dict[str, Any], found: bool
) -> None:
    book = Book()
    for place in range(number):
        transfer(book, 600, 660, of_each, number=place, **how)
    assert bool(levels(book)) == found


@pytest.mark.parametrize(("transfers", "found"), [(20.0, True), (19.9, False)])
def test_half_of_the_octets_are_those_of_transfers(transfers: float, found: bool) -> None:
    book = transfer(Book(), 600, 660, transfers)
    for second in range(600, 660):  # as much in short records of small packets
        book.row(second, second + 1, way=DOWN, octets=20 * MBPS_SECOND, packets=20_000, outside="203.0.113.9")
    assert bool(levels(book)) == found


@pytest.mark.parametrize(("upper", "found"), [(46.0, True), (46.1, False)])
def test_windows_within_fifteen_hundredths_are_flat(upper: float, found: bool) -> None:
    """40 and 46 for ten seconds in turn; stamps are of milliseconds, so that whole seconds excuse nothing."""
    book = Book()
    book.row(0, 0.5, way=DOWN, octets=100)
    for turn in range(6):
        transfer(book, 600 + 20 * turn, 610 + 20 * turn, 40)
        transfer(book, 610 + 20 * turn, 620 + 20 * turn, upper)
    book.rows = [(row[0] + 1, row[1] + 1, *row[2:]) for row in book.rows]
    assert any(level.end_ms - level.start_ms > 60_000 for level in levels(book, resolution_s=5)) == found


@pytest.mark.parametrize(("above", "count"), [(43.9, 1), (44.5, 0)])
def test_a_tenth_more_within_a_quarter_of_an_hour_says_that_the_line_gives_more(
    above: float, count: int
) -> None:
    book = transfer(Book(), 600, 660, 40)
    transfer(book, 700, 730, above, number=1)
    assert len([level for level in levels(book) if level.start_ms < ms(680)]) == count


@pytest.mark.parametrize(("seconds", "count"), [(30, 0), (25, 1)])
def test_more_for_three_records_length_does_so_and_less_is_blur(seconds: int, count: int) -> None:
    book = transfer(Book(), 600, 660, 40, record=5)
    transfer(book, 700, 700 + seconds, 44.5, record=5, number=1)
    assert len([level for level in levels(book) if level.start_ms < ms(680)]) == count


@pytest.mark.parametrize(
    ("sampling", "step_s"), [(1, 5), (10, 5), (13, 5), (14, 10), (100, 40), (10_000, 60)]
)
def test_steps_are_as_long_as_nine_hundred_sampled_packets_of_a_fifth_of_the_plan_take(
    sampling: int, step_s: int
) -> None:
    # 20 Mbit/s in packets of 1000 octets are 2,500 a second; at 1 in 10 it takes 3.6 s for 900, at 1 in 14 5.04 s.
    book = transfer(Book(), 600, 660, 40, sampling=sampling)
    assert _step_ms(book.case(SITE), 100.0) == step_s * 1000


def test_single_windows_out_of_line_are_smoothed_away() -> None:
    assert _without_outliers(np.array([1.0, 9.0, 1.0, 5.0, 5.0, 0.0])).tolist() == [1, 1, 5, 5, 5, 0]


def held(**more: Any) -> HeldLevel:
    how: dict[str, Any] = {
        "link": 0, "direction": DOWN, "rate_mbps": 40.0, "share": 0.4, "start_ms": 100, "end_ms": 200, "transfers": 2,
        "hosts": 2, "destinations": 2, "flatness": 0.0, "gives_way": True, **more,
    }  # fmt: skip
    return HeldLevel(**how)


def test_a_level_is_the_lines_where_two_hosts_and_two_destinations_gave_way() -> None:
    assert held().is_the_lines
    assert not held(gives_way=False).is_the_lines
    assert not held(hosts=1).is_the_lines
    assert not held(destinations=1).is_the_lines


def test_what_overlaps_is_told_already() -> None:
    def limit(begin: int, end: int, link: int = 0, direction: int = DOWN) -> AtLimit:
        return AtLimit(link, direction, ((begin, end),), 1000, ((90.0, 95.0),))

    assert is_told(held(), [limit(199, 300)])
    assert is_told(held(), [limit(0, 50), limit(50, 101)])
    assert not is_told(
        held(), [limit(200, 300), limit(0, 100), limit(0, 300, link=1), limit(0, 300, direction=UP)]
    )


def test_levels_come_with_what_gave_way_first_and_then_by_length() -> None:
    book = transfer(transfer(Book(), 600, 640, 60), 1200, 1260, 60, number=1)
    assert [(level.start_ms, level.transfers) for level in levels(book)] == [(ms(1200), 1), (ms(600), 1)]


def test_who_has_less_than_a_twentieth_does_not_hold_a_level() -> None:
    book = transfer(transfer(Book(), 600, 660, 40), 600, 660, 2.1, number=1)
    (level,) = levels(book)
    assert (level.transfers, level.hosts, level.destinations) == (1, 1, 1)  # 2.1 of 42.1
    book = transfer(transfer(Book(), 600, 660, 39), 600, 660, 2.1, number=1)
    assert levels(book)[0].transfers == 2  # 2.1 of 41.1


# At the limit -------------------------------------------------------------------------------------------------------


def limit_of(*spells: tuple[int, int], rates: tuple[tuple[float, float], ...] = ()) -> AtLimit:
    return AtLimit(0, DOWN, spells, 1000, rates or ((90.0, 95.0),) * len(spells))


def test_a_limit_has_the_longest_of_its_spells_the_first_of_equal_ones() -> None:
    limit = limit_of((0, 10), (20, 50), (60, 90), rates=((90.0, 95.0), (91.0, 99.0), (97.0, 98.0)))
    assert (limit.longest, limit.start_ms, limit.end_ms, limit.longest_ms) == ((20, 50), 20, 50, 30)
    assert (limit.total_ms, limit.share, limit.rate_mbps) == (70, 0.07, 91.0)
    # 10 of 90 and 30 of 97.
    assert limit.rates(((0, 10), (60, 90))) == (pytest.approx((900 + 2910) / 40), 98.0)


def test_times_at_one_limit_and_another_count_once() -> None:
    assert limited_ms([limit_of((0, 10), (20, 30)), limit_of((5, 15), (30, 40))]) == 15 + 20
    assert limited_ms([]) == 0


def full(
    begin: int, end: int, until: float = 3600, *, share: float = 0.98, record: int = 5, **more: Any
) -> Case:
    """A download of a share of the plan from begin to end."""
    book = Book()
    book.browse(0, until)
    transfer(book, begin, end, 100 * share, record=record, inside_port=50_001)
    return book.case(SITE, **{"span": (0, until), "resolution_s": 5, **more})


@pytest.mark.parametrize(
    ("seconds", "resolution_s", "found"),
    [
        (10, 5, True),
        (5, 5, False),
        (20, 10, True),
        (15, 10, False),
        (30, 15, True),
        (30, 60, True),
        (25, 60, False),
    ],
)
def test_a_spell_lasts_two_windows_of_the_resolution_and_half_a_minute_at_most(
    seconds: int, resolution_s: int, found: bool
) -> None:
    assert bool(at_limit(full(600, 600 + seconds, resolution_s=resolution_s))) == found


def test_what_lies_within_a_minute_of_a_full_time_is_its_begin_or_end() -> None:
    for pause, found in ((55, 0), (60, 1)):
        book = Book()
        book.browse(0, 3600)
        transfer(book, 600, 840, 98, record=5, inside_port=50_001)
        transfer(book, 840 + pause, 870 + pause, 98, record=5, inside_port=50_002)
        case = book.case(SITE, span=(0, 3600), resolution_s=5)
        assert len(episodes(case).full) == 1
        assert len(at_limit(case)) == found


def test_the_window_is_looked_at_as_far_as_the_export_reaches() -> None:
    case = full(600, 640)
    assert covered_window(replace(case, window_ms=(ms(-50), ms(9000)))) == (ms(0), ms(3600))
    assert covered_window(replace(case, window_ms=(ms(50), ms(900)))) == (ms(50), ms(900))
    nothing = replace(case, coverage=replace(case.coverage, first_ms=None, last_ms=None))
    assert covered_window(nothing) == (nothing.window_ms[0], nothing.window_ms[0])
    assert at_limit(nothing) == ()


@pytest.mark.parametrize(("until", "is_open"), [(80, True), (81, False), (179, False)])
def test_half_of_a_time_too_short_for_a_finding_leaves_the_question_open(until: float, is_open: bool) -> None:
    assert bool(left_open(full(20, 60, until))) == is_open


# Edges --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rate", "steps"),
    [
        ("9999 0000", 0),
        ("9999 9000", 1),
        ("9999 9900", 2),
        ("9999 9999", 4),
        ("9999 9090", 1),  # a step under it, and their mean too
        ("9999 5999", 0),  # the mean never comes up to it
        ("9990 9999", 0),  # inside its edge it is far under: nothing to move outwards
        ("9990 0000", -1),
        ("9400 0000", -3),
        ("9500 0000", -2),  # half of it is not far under
        ("0000 0000", 0),
        ("9994 4999", -1),
    ],
)
def test_an_edge_moves_to_where_the_rate_was_over_the_threshold(rate: str, steps: int) -> None:
    """Digits are Mbit/s, a threshold of 9; a window inside, and one outside. 5 is over half of it, 4 is not."""
    inside, outside = rate.split()
    assert _reach(np.array([float(digit) for digit in inside + outside]), 9.0) == steps


def test_full_minutes_have_the_seconds_of_their_records() -> None:
    book = Book()
    transfer(book, 640, 880, 95, record=5)
    (episode,) = episodes(book.case(SITE, span=(0, 3600), resolution_s=5)).full
    assert episode.span_times(book.case(SITE, span=(0, 3600))) == [(ms(640), ms(880))]
    coarse = episodes(book.case(SITE, span=(0, 3600), resolution_s=61)).full
    assert coarse[0].span_times(book.case(SITE)) == [(ms(660), ms(840))]


@pytest.mark.parametrize("direction", ["rising", "falling"])
def test_a_rate_a_two_thousandth_over_the_threshold_moves_an_edge(direction: str) -> None:
    """90.05 Mbit/s for twenty seconds beside four minutes of 95."""
    book = Book()
    begin, end = (640, 660) if direction == "rising" else (900, 920)
    transfer(book, 660, 900, 95, record=5)
    transfer(book, begin, end, 90.05, record=5)
    (episode,) = episodes(book.case(SITE, span=(0, 3600), resolution_s=5)).full
    moved = episode.span_times(book.case(SITE))
    assert moved == ([(ms(640), ms(900))] if direction == "rising" else [(ms(660), ms(920))])


@pytest.mark.parametrize(("mbps", "found"), [(90.04, True), (89.96, False)])
def test_a_spell_at_the_limit_is_at_nine_tenths_of_the_plan_to_the_thousandth(
    mbps: float, found: bool
) -> None:
    book = transfer(Book(), 600, 640, mbps, record=5)
    limits = at_limit(book.case(SITE, span=(0, 3600), resolution_s=5))
    assert bool(limits) == found
    if found:
        assert limits[0].step_rates == ((pytest.approx(90.04), pytest.approx(90.04)),)


def test_spells_of_a_sampled_export_are_whole_minutes_of_the_window() -> None:
    book = Book()
    book.row(0, 60, way=DOWN, octets=1000, sampling=10)
    transfer(book, 1200, 1320, 98, record=60, sampling=10)
    case = book.case(SITE, span=(0, 3599), window=(900, 1800))
    (limit,) = at_limit(case)
    assert limit.spells == ((ms(1200), ms(1320)),)
    assert limit.covered_ms == 900_000
    (cut,) = at_limit(book.case(SITE, span=(0, 3599), window=(1230, 1800)))
    assert cut.spells == ((ms(1230), ms(1320)),)


def test_more_right_at_the_begin_of_the_export_says_that_the_line_gives_more() -> None:
    for above, count in ((45.0, 0), (43.0, 1)):
        book = transfer(Book(), 0, 30, above, record=5, number=1)
        transfer(book, 60, 120, 40, record=5)
        assert len([level for level in levels(book) if level.start_ms >= ms(55)]) == count
