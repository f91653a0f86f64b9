"""Failovers at their bounds: how much the backup has to carry, what the primary may still do, and what belongs to them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.findings import flapping, on_backup
from flowdiag.diagnoser.signals.failovers import (
    Failover,
    Failovers,
    _by_chance,
    _Scene,
    _took_over,
    failovers,
)
from flowdiag.diagnoser.signals.timeline import Grid
from flowdiag.site.profile import Thresholds
from tests.diagnoser.building import Book, ms, profile

HOUR = 3600
AWAY, BACK = 1200, 1400


def stays(case: Case) -> list[tuple[float, float]]:
    return [((one.start_ms - ms(0)) / 1000, (one.end_ms - ms(0)) / 1000) for one in failovers(case).episodes]


def away(octets: list[float], *, backup: int = 1, primary: tuple[int, float] = (0, 0.0)) -> Case:
    """An hour on the primary but for one bin of ten seconds for each number of octets, which the backup has in so many
    downloads from places of their own; meanwhile the primary has so many downloads of so many octets from one place."""
    book = Book()
    book.browse(0, AWAY)
    for place, carried in enumerate(octets):
        start = AWAY + 10 * place + 1
        for number in range(backup):
            book.row(start, start + 1, way=DOWN, octets=carried / backup, link="lte", inside_port=start,
                     outside=f"198.51.100.{1 + (place + number) % 40}")  # fmt: skip
        for number in range(primary[0]):
            book.row(start, start + 1, way=DOWN, octets=primary[1], outside="192.0.2.200", inside_port=number)
    book.browse(AWAY + 10 * len(octets), HOUR)
    return book.case(span=(0, HOUR))


@pytest.mark.parametrize(
    ("octets", "found"),
    [
        ([500] * 20, True),  # 10,000 octets in all, and 500 in each bin
        ([500] * 19 + [499.9], False),
        ([499] * 30, False),
    ],
)
def test_a_backup_that_carries_less_than_a_page_took_nothing_over(octets: list[float], found: bool) -> None:
    assert bool(stays(away(octets))) == found


@pytest.mark.parametrize(
    ("backup", "primary", "found"),
    [
        (9, (1, 1000), True),  # a twentieth of 20,000
        (9, (1, 1001), False),
        (9, (1, 499), True),
        (8, (2, 260), True),  # two of ten that start
        (7, (2, 260), False),
        (7, (2, 240), True),  # under 400 bit/s nothing is in use
    ],
)
def test_the_primary_is_in_use_from_a_twentieth_of_the_octets_or_a_fifth_of_the_starts(
    backup: int, primary: tuple[int, float], found: bool
) -> None:
    assert bool(stays(away([19_000] * 20, backup=backup, primary=primary))) == found


@pytest.mark.parametrize(
    ("there", "here", "expected"),
    [
        (2, 0, True),
        (2, 1, False),
        (3, 2, True),
        (3, 3, False),
        (8, 2, True),
        (12, 3, True),
        (11, 3, False),
        (0, 0, True),
    ],
)
def test_a_primary_may_talk_to_two_places_or_a_quarter_of_the_backups(
    there: int, here: int, expected: bool
) -> None:
    assert _took_over(there, here) == expected


def scene(used: list[bool]) -> _Scene:
    """A scene of which only the primary's use by bin matters."""
    nothing: Any = None
    none = np.zeros(0, np.intp)
    octets = np.zeros(len(used))
    grid, mask = Grid(0, 10_000, len(used)), np.array(used)
    return _Scene(nothing, grid, none, none, octets, octets, mask, mask, mask, none, none)


def test_silence_by_chance_follows_from_the_use_within_an_hour_on_both_sides() -> None:
    # Half of the bins within an hour, all of those further away.
    used = [True] * 100 + [True, False] * 180 + [False] * 10 + [False, True] * 180 + [True] * 100
    everywhere = np.ones(len(used), np.bool_)
    assert _by_chance(scene(used), (460, 470), 10, everywhere) == pytest.approx(0.5**10)
    assert _by_chance(scene(used), (460, 470), 3, everywhere) == pytest.approx(0.5**3)
    # What lies elsewhere only counts where nothing near does.
    far = everywhere.copy()
    far[100:830] = False
    assert _by_chance(scene(used), (460, 470), 3, far) == 0.0
    assert _by_chance(scene([False] * 30), (10, 20), 10, np.ones(30, np.bool_)) == 0.0
    assert _by_chance(scene([False] * 30 + [True]), (10, 20), 10, np.zeros(31, np.bool_)) == 1.0


@pytest.mark.parametrize(("last", "still", "end"), [(3299, True, HOUR), (3298, False, 3299)])
def test_a_failover_is_still_on_where_the_backup_was_used_within_five_minutes_of_the_end(
    last: int, still: bool, end: int
) -> None:
    book = Book()
    book.browse(0, AWAY)
    book.browse(last - 2000, last + 2, link="lte")
    (one,) = failovers(book.case(span=(0, HOUR))).episodes
    assert (one.still, one.end_ms) == (still, ms(end))


def leaked(book: Book, span: int = HOUR) -> list[float]:
    """When the rows began that no failover explains, in seconds."""
    case = book.case(span=(0, span))
    rows = np.flatnonzero(failovers(case).leaked)
    return sorted(((case.flows.start_ms[rows] - ms(0)) / 1000).tolist())


def other(book: Book, start: float) -> Book:
    """One more conversation over the backup, of a host and a place of their own."""
    book.talk(start, start + 5, 4000, 0, link="lte", inside="192.168.40.99", outside="203.0.113.222")
    return book


def failover() -> Book:
    book = Book()
    book.browse(0, AWAY)
    book.browse(AWAY + 4, 2400, link="lte")
    book.browse(2400, HOUR)
    return book


@pytest.mark.parametrize(
    ("start", "belongs"), [(2519.999, True), (2520, False), (AWAY - 6, True), (AWAY - 7, False)]
)
def test_what_begins_ten_seconds_before_a_failover_or_two_minutes_after_it_belongs_to_it(
    start: float, belongs: bool
) -> None:
    assert leaked(other(failover(), start)) == ([] if belongs else [start])


@pytest.mark.parametrize(("second", "belongs"), [(4200, True), (4202, False)])
def test_what_runs_over_the_backup_within_half_an_hour_between_two_failovers_belongs_to_them(
    second: int, belongs: bool
) -> None:
    book = failover()
    book.browse(HOUR, second - 4)
    book.browse(second, second + 600, link="lte")
    book.browse(second + 600, 2 * HOUR)
    other(book, 3000)
    assert len(failovers(book.case(span=(0, 2 * HOUR))).episodes) == 2
    assert leaked(book, 2 * HOUR) == ([] if belongs else [3000])


def test_a_conversation_of_a_failover_goes_on_as_long_as_it_likes() -> None:
    book = failover()
    for start in (2000, 3000, 3500):
        other(book, start)
    assert leaked(book) == []
    before = other(other(failover(), 600), 3000)  # none of these two ran in it
    assert leaked(before) == [600, 3000]


def test_the_gap_is_from_the_primarys_last_record_to_the_backups_first() -> None:
    (one,) = failovers(failover().case(span=(0, HOUR))).episodes
    # The primary's last conversation is that of 1198 to 1199.
    assert (one.start_ms, one.gap_ms, one.began_before) == (ms(1204), 5000, False)
    assert one.length_ms == 1_196_000
    # 598 conversations of 20,000 octets down and 1,000 up.
    assert (one.octets_down, one.octets_up) == (598 * 20_000, 598 * 1_000)


def test_octets_are_those_of_the_part_of_a_record_within_the_stay() -> None:
    book = failover()
    book.row(2300, 2500, way=UP, octets=10_000, link="lte", inside_port=7)  # half of it after the end
    (one,) = failovers(book.case(span=(0, HOUR))).episodes
    assert one.octets_up == pytest.approx(598 * 1_000 + 5_000)


# Flapping -----------------------------------------------------------------------------------------------------------


def stay(start_s: float, end_s: float, **more: Any) -> Failover:
    how: dict[str, Any] = {
        "gap_ms": 2000, "octets_down": 1.0, "octets_up": 1.0, "began_before": False, "still": False, **more
    }  # fmt: skip
    return Failover(1, ms(start_s), ms(end_s), **how)


def grouped(monkeypatch: pytest.MonkeyPatch, least: int, *times: tuple[float, float]) -> list[list[float]]:
    """Starts of the failovers of each group, in seconds."""
    case = Book().case(profile(thresholds=Thresholds(flapping_failovers=least)), span=(0, 9 * HOUR))
    found = Failovers(tuple(stay(*one) for one in times), np.zeros(0, np.bool_))
    monkeypatch.setattr("flowdiag.diagnoser.findings.flapping.failovers", lambda _: found)
    return [[(one.start_ms - ms(0)) / 1000 for one in group] for group in flapping.flapping_groups(case)]


def test_a_line_flaps_where_an_hour_holds_enough_failovers(monkeypatch: pytest.MonkeyPatch) -> None:
    three = [(0, 60), (1000, 1060), (3600, 3660)]
    assert grouped(monkeypatch, 3, *three) == [[0, 1000, 3600]]
    assert grouped(monkeypatch, 3, *three[:2], (3600.001, 3660)) == []
    assert grouped(monkeypatch, 4, *three) == []
    assert grouped(monkeypatch, 2, *three) == [[0, 1000, 3600]]
    assert grouped(monkeypatch, 3) == []


def test_one_more_failover_belongs_to_them_where_any_hour_with_it_is_full(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert grouped(monkeypatch, 3, (0, 60), (1000, 1060), (2000, 2060), (4600, 4660)) == [
        [0, 1000, 2000, 4600]
    ]
    assert grouped(monkeypatch, 3, (0, 60), (1000, 1060), (2000, 2060), (4601, 4660)) == [[0, 1000, 2000]]


def test_an_hour_without_any_parts_two_groups(monkeypatch: pytest.MonkeyPatch) -> None:
    one, other_one = [(0, 60), (100, 160), (200, 260)], [(3860, 3900), (4000, 4060), (4100, 4160)]
    assert grouped(monkeypatch, 3, *one, *other_one) == [[0, 100, 200, 3860, 4000, 4100]]
    later = [(start + 1, end + 1) for start, end in other_one]
    assert grouped(monkeypatch, 3, *one, *later) == [[0, 100, 200], [3861, 4001, 4101]]
    # A single one between two groups belongs to neither, and parts them.
    long = [(0, 60), (100, 160), (200, 4000), (4100, 4150), (7590, 7600), (7701, 7800), (7810, 7900)]
    assert grouped(monkeypatch, 3, *long) == [[0, 100, 200], [7590, 7701, 7810]]


def test_a_long_stay_of_a_line_that_flaps_is_told_by_itself_too(monkeypatch: pytest.MonkeyPatch) -> None:
    book = Book()
    edges = [600, 700, 1000, 1602, 2000, 2100]
    book.browse(0, 600)
    for begin, back, following in zip(edges[::2], edges[1::2], [*edges[2::2], HOUR], strict=True):
        book.browse(begin + 2, back, link="lte")
        book.browse(back, following)
    case = book.case(span=(0, HOUR))
    (flaps,) = flapping.find(case)
    assert (flaps.evidence["failovers"], flaps.evidence["longest_gap_s"]) == (3, 3.0)
    # 98, 600 and 98 seconds.
    assert flaps.evidence["minutes_on_backup"] == 13.3
    assert [(one.start_ms, one.end_ms) for one in on_backup.find(case)] == [(ms(1002), ms(1602))]


def test_minutes_in_which_a_backup_was_full_are_those_that_touch_the_stay() -> None:
    book = failover()
    for minute in range(30, 36):  # 29 of 30 Mbit/s
        book.row(minute * 60, minute * 60 + 60, way=DOWN, octets=29 * 7_500_000, link="lte")
    case = book.case(span=(0, HOUR))
    assert on_backup.full_minutes(case, 1, ms(0), ms(HOUR)) == {"full_minutes_down": 6, "full_minutes_up": 0}
    assert on_backup.full_minutes(case, 1, ms(1860), ms(2040))["full_minutes_down"] == 3
    assert on_backup.full_minutes(case, 1, ms(1859), ms(2041))["full_minutes_down"] == 5
    assert on_backup.full_minutes(case, 0, ms(0), ms(HOUR))["full_minutes_down"] == 0


@pytest.mark.parametrize(
    ("heard", "confidence"), [([(0, HOUR)], "high"), ([(0, 1199), (1260, HOUR)], "medium"), ([(0, 1199), (1205, HOUR)], "high"),
                              ([(0, 2399), (2460, HOUR)], "high"), ([(0, 2339), (2400, HOUR)], "medium")]
)  # fmt: skip
def test_a_failover_is_sure_where_the_exporter_was_heard_all_along(
    heard: list[tuple[float, float]], confidence: str
) -> None:
    (finding,) = on_backup.find(failover().case(span=(0, HOUR), heard=heard))
    assert finding.confidence == confidence
    assert finding.evidence["minutes"] == 19.93
    # 11,960,000 octets in 1,196 s.
    assert (finding.evidence["mean_down_mbps"], finding.evidence["mean_up_mbps"]) == (0.08, 0.004)
