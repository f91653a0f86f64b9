"""Outages at their bounds: how long, how many attempts, at whose places, and when somebody is at work. Seconds after ten."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.findings.outage import find
from flowdiag.diagnoser.signals.cut_off import attempts_in, scene, silence_edges, within
from flowdiag.diagnoser.signals.outages import outages
from flowdiag.diagnoser.signals.short_outages import short_outages, unexplained_silences
from flowdiag.site.profile import Profile
from tests.diagnoser.building import PING, SYN, Book, ms, profile

HOUR = 3600
OUT: dict[str, Any] = {"link": None, "egress": 0, "ingress": 1}


def dark(begin: float, end: float, *, every: float = 2.0, last: float = HOUR) -> Book:
    """Conversations of a second each but for a time."""
    book = Book()
    book.browse(0, begin, every=every)
    book.browse(end, last, every=every)
    return book


def tries(book: Book, times: list[float], *, hosts: int = 1, places: int = 1, **more: Any) -> Book:
    """SYNs that find no way out."""
    for number, start in enumerate(times):
        how = {
            **OUT,
            "outside": f"203.0.113.{1 + number % places}",
            "inside": f"192.168.40.{20 + number % hosts}",
            **more,
        }
        book.row(start, start, way=UP, octets=60, packets=1, flags=SYN, inside_port=3000 + number, **how)
    return book


def spans(case: Case) -> list[tuple[float, float]]:
    return [((one.start_ms - ms(0)) / 1000, (one.end_ms - ms(0)) / 1000) for one in outages(case)]


# The long ones ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("end", "found"), [(1379, [(1199, 1379)]), (1378, [])])
def test_three_minutes_from_the_last_record_to_the_first_are_an_outage(
    end: float, found: list[tuple[float, float]]
) -> None:
    book = tries(dark(1200, end), [1205 + 10 * n for n in range(16)])
    # Shorter ones are told too, where hosts tried in vain; here they tried one place that answers.
    assert [one for one in spans(book.case(span=(0, HOUR))) if one[1] - one[0] >= 180] == found


@pytest.mark.parametrize(
    ("seconds", "count", "proof"),
    [(600, 10, "attempts"), (600, 9, "abrupt"), (1800, 15, "attempts"), (1800, 14, "abrupt")],
)
def test_ten_attempts_and_one_each_two_minutes_prove_it(seconds: int, count: int, proof: str) -> None:
    book = dark(1201, 1199 + seconds)  # from the last record's end at 1199
    tries(book, [1210 + 20 * n for n in range(count)])
    (found,) = outages(book.case(span=(0, HOUR)))
    assert (found.proof, found.attempts, found.hosts) == (proof, count, 1)
    assert found.end_ms - found.start_ms <= seconds * 1000


@pytest.mark.parametrize(("answers", "found"), [(True, 1), (False, 0)])
def test_a_place_that_is_tried_at_other_times_too_proves_something_where_it_answers(
    answers: bool, found: int
) -> None:
    """Nobody is at work by the profile's hours, so that attempts alone can prove it."""
    book = dark(1200, 1800)
    tries(book, [1205 + 10 * n for n in range(50)], outside="203.0.113.200")
    tries(book, [100], outside="203.0.113.200")
    if answers:
        book.row(200, 201, way=DOWN, octets=500, outside="203.0.113.200")
    assert len(find(book.case(profile(hours="Mon-Fri 14:00-18:00"), span=(0, HOUR)))) == found


@pytest.mark.parametrize(("at", "near"), [(1130, True), (1129.9, False)])
def test_an_attempt_within_a_minute_of_it_may_belong_to_it(at: float, near: bool) -> None:
    """The silence begins at 1199, in the step from 1190 on."""
    book = dark(1200, 1800)
    tries(book, [1205 + 10 * n for n in range(50)], outside="203.0.113.200")
    tries(book, [at], outside="203.0.113.200")
    assert len(find(book.case(profile(hours="Mon-Fri 14:00-18:00"), span=(0, HOUR)))) == near


@pytest.mark.parametrize(
    "more",
    [
        {"ingress": 0},  # no interface has a number
        {"ingress": -1},
        {"egress": 5},  # it went somewhere
        {"outside": "224.0.0.251"},
        {"outside": "169.254.1.1"},
        {"outside": "255.255.255.255"},
        {"outside": "0.0.0.1"},
        {"outside": "192.168.40.200"},
        {"inside": "198.51.100.77"},  # not of the site
    ],
)
def test_what_does_not_lead_out_is_no_attempt(more: dict[str, Any]) -> None:
    book = tries(dark(1200, 1800), [1205 + 10 * n for n in range(50)], **more)
    case = book.case(profile(hours="Mon-Fri 14:00-18:00"), span=(0, HOUR))
    assert len(attempts_in(case, [(ms(1200), ms(1799))])) == 0
    assert find(case) == []


def test_attempts_begin_within_the_time() -> None:
    book = tries(dark(1200, 1800), [1300, 1299.999, 1500, 1499.999])
    case = book.case(span=(0, HOUR))
    rows = attempts_in(case, [(ms(1200), ms(1800))])
    assert [(case.flows.start_ms[row] - ms(0)) / 1000 for row in within(case, rows, ms(1300), ms(1500))] == [
        1300,
        1499.999,
    ]


def test_where_there_is_no_record_beside_a_silence_its_steps_stand() -> None:
    book = Book()
    book.row(0, 12, way=DOWN, octets=1000)
    book.row(47, 58, way=DOWN, octets=1000)
    case = book.case(span=(0, 59))
    assert scene(case).carried.tolist() == [True, True, False, False, True, True]
    assert silence_edges(case, 2, 4) == (ms(12), ms(47))
    assert silence_edges(case, 0, 1) == (ms(0), ms(10))
    assert silence_edges(case, 3, 4) == (ms(30), ms(47))


def test_what_only_went_out_carries_a_site_in_an_export_of_uploads() -> None:
    book = Book()
    book.row(0, 5, way=UP, octets=1000)
    book.row(20, 25, way=UP, octets=1000, link="lte")
    book.row(10, 15, way=UP, octets=1000, link=None)
    assert scene(book.case(span=(0, 59))).carried.tolist() == [True, False, True, False, False, False]
    book.row(30, 35, way=DOWN, octets=1000)
    assert scene(book.case(span=(0, 59))).carried.tolist() == [False, False, False, True, False, False]
    pings = Book()
    pings.row(0, 5, way=DOWN, octets=1000)
    pings.pings(20, 30)
    assert (
        scene(pings.case(profile(keepalives=[PING]), span=(0, 59))).carried.tolist() == [True] + [False] * 5
    )


@pytest.mark.parametrize(
    ("open_for", "found"),
    [
        ("Mon-Fri 10:00-11:00", 1),
        ("Mon-Fri 10:22-11:00", 1),
        ("Mon-Fri 10:23-11:00", 0),
        ("Tue 10:00-11:00", 0),
    ],
)
def test_four_fifths_of_it_are_to_lie_in_the_hours_of_work(open_for: str, found: int) -> None:
    """From one second past 10:20 to 10:30."""
    assert len(outages(dark(1202, 1800).case(profile(hours=open_for), span=(0, HOUR)))) == found


@pytest.mark.parametrize(
    ("open_for", "found"),
    [
        ("Mon-Fri 08:00-12:00", 1),
        ("Mon-Fri 08:00-11:28", 1),
        ("Mon-Fri 08:00-11:27", 0),  # more than its last fifth is within an hour of the end
        ("Mon-Fri 08:00-11:00", 0),
        ("24/7", 1),
    ],
)
def test_people_who_go_early_have_no_outage(open_for: str, found: int) -> None:
    """From 10:20 to 10:30; what comes after it is too little to tell whether they are still there."""
    book = dark(1202, 1800, last=1802)
    assert len(outages(book.case(profile(hours=open_for), span=(0, 2080)))) == found


@pytest.mark.parametrize(
    ("open_for", "found"),
    [("Mon-Fri 09:02-12:00", 1), ("Mon-Fri 09:03-12:00", 0), ("Mon-Fri 10:00-12:00", 0)],
)
def test_people_who_come_late_have_no_outage(open_for: str, found: int) -> None:
    """From 10:00 to 10:10."""
    book = dark(2, 600)
    assert len(outages(book.case(profile(hours=open_for), span=(0, HOUR)))) == found


@pytest.mark.parametrize(("every", "found"), [(60, 0), (9, 1)])
def test_a_silence_that_chance_brings_is_none(every: float, found: int) -> None:
    """A conversation a minute is in a sixth or so of the steps: 0.83^60 is one in seventy thousand."""
    hours = profile(hours="Mon-Fri 08:00-18:00")
    assert len(outages(dark(1200, 1800, every=every).case(hours, span=(0, HOUR)))) == found


@pytest.mark.parametrize(("other", "found"), [(298, 1), (302, 0)])
def test_another_silence_half_as_long_is_the_sites_habit(other: float, found: int) -> None:
    book = Book()
    book.browse(0, 600)
    book.browse(600 + other, 1802)
    book.browse(2400, HOUR)
    hours = profile(hours="Mon-Fri 08:00-18:00")
    # From 599 to 600 + other, and from 1801 to 2400.
    assert [one for one in spans(book.case(hours, span=(0, HOUR))) if one[1] == 2400] == [
        (1801, 2400)
    ] * found


def test_two_hours_without_proof_are_no_line_that_failed() -> None:
    for length, found in ((7199, 1), (7210, 0)):
        book = dark(2000, 1999 + length, last=2000 + length + HOUR)
        assert len(outages(book.case(span=(0, 2000 + length + HOUR)))) == found


# The short ones -----------------------------------------------------------------------------------------------------


def short(
    begin: float,
    end: float,
    times: list[float],
    *,
    window: tuple[float, float] = (0, HOUR),
    of: Profile | None = None,
    every: float = 2.0,
    **more: Any,
) -> list[tuple[float, float, bool]]:
    """Short outages of a site whose places 1 to 40 answer at other times."""
    book = tries(dark(begin, end, every=every), times, **more)
    case = book.case(of or profile(), span=(0, HOUR), window=window)
    return [
        ((one.start_ms - ms(0)) / 1000, (one.end_ms - ms(0)) / 1000, one.short) for one in short_outages(case)
    ]


@pytest.mark.parametrize(
    ("count", "places", "hosts", "known", "found"),
    [
        (5, 3, 1, True, True),  # five attempts at three places that answer
        (4, 3, 1, True, False),
        (5, 2, 1, True, False),
        (10, 2, 1, True, True),  # ten at two
        (9, 2, 1, True, False),
        (10, 1, 1, True, False),
        (10, 3, 3, False, True),  # ten of three hosts at three places that never answer
        (9, 3, 3, False, False),
        (10, 3, 2, False, False),
        (10, 2, 3, False, False),
    ],
)
def test_attempts_prove_a_short_outage(count: int, places: int, hosts: int, known: bool, found: bool) -> None:
    times = [1205 + 4 * n for n in range(count)]
    book = dark(1200, 1260)
    tries(book, times, hosts=hosts)
    for number, row in enumerate(book.rows[-count:]):
        place = book.place(f"{'203.0.113' if known else '198.51.100'}.{1 + number % places}")
        book.rows[number - count] = (*row[:7], place, *row[8:])
    assert bool(short_outages(book.case(span=(0, HOUR)))) == found


@pytest.mark.parametrize(
    ("end", "found"),
    [(1221, [(1201, 1221, True)]), (1220.5, []), (1261, [(1201, 1261, False)]), (1260, [(1201, 1260, True)])],
)
def test_a_short_outage_is_one_of_twenty_seconds_and_counts_for_itself_from_a_minute_on(
    end: float, found: list[tuple[float, float, bool]]
) -> None:
    # The last conversation is that from 1200 to 1201.
    assert short(1202, end, [1202 + n for n in range(12)], places=3) == found


def test_half_of_the_time_asked_about_counts_for_itself() -> None:
    times = [1202 + n for n in range(12)]
    for window, is_short in (((1191, 1251), False), ((1190, 1251), True), ((1201, 1261), False)):
        assert short(1202, 1231, times, places=3, window=window) == [(1201, 1231, is_short)]
    assert short(1202, 1231, times, places=3, window=(1300, 1400)) == []
    assert short(1202, 1231, times, places=3, window=(1231, 1400)) == []


def test_a_silence_that_the_sites_habit_makes_likely_is_not_looked_into() -> None:
    """A conversation in each second step: a silence of six steps comes by chance once in 64 times, of seven in 128."""
    times = [1210 + 3 * n for n in range(12)]
    book = dark(1200, 1260, every=20)
    assert unexplained_silences(book.case(span=(0, HOUR))) == []
    assert short(1200, 1250, times, places=3, every=20) == []
    assert len(short(1200, 1290, times, places=3, every=20)) == 1


def test_a_silence_at_a_switch_is_the_switch() -> None:
    for gap, found in ((25, 0), (100, 0)):
        book = Book()
        book.browse(0, 1202)
        book.browse(1201 + gap, 2400, link="lte")
        book.browse(2400, HOUR)
        tries(book, [1203 + n for n in range(12)], places=3)
        case = book.case(span=(0, HOUR))
        assert len(short_outages(case)) == found
        assert unexplained_silences(case) == []


def test_a_silence_unlike_the_site_that_nobody_noticed_is_told_as_such() -> None:
    case = dark(1202, 1231).case(span=(0, HOUR))
    assert unexplained_silences(case) == [(ms(1201), ms(1231))]
    assert short_outages(case) == ()
    proved = tries(dark(1202, 1231), [1202 + n for n in range(12)], places=3).case(span=(0, HOUR))
    assert unexplained_silences(proved) == []


def test_more_than_a_dozen_silences_are_a_habit() -> None:
    for count in (12, 13):
        book = Book()
        edges = np.linspace(0, HOUR, count + 1)
        for begin, end in zip(edges[:-1], edges[1:], strict=True):
            book.browse(float(round(begin)), float(round(end)) - 45)
        found = unexplained_silences(book.case(span=(0, HOUR)))
        assert bool(found) == (count == 12), count
