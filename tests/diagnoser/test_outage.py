"""Outages, and what resembles them."""

from __future__ import annotations

from typing import Any

import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.findings.outage import find
from flowdiag.text.sentences import backup as wording
from tests.diagnoser.building import PING, SYN, Book, ms, profile

HOUR = 3600


def dark(begin: float = 1200, end: float = 1800, *, every: float = 2.0) -> Book:
    book = Book()
    book.browse(0, begin, every=every)
    book.browse(end, HOUR, every=every)
    return book


def attempts(book: Book, begin: float, end: float, every: float = 5, **more: Any) -> None:
    where: dict[str, Any] = {"link": None, "egress": 0, "ingress": 1, **more}
    for number, start in enumerate(range(int(begin), int(end), int(every))):
        book.row(start, start + 3, way=UP, octets=180, packets=3, flags=SYN, inside_port=3000 + number,
                 outside="203.0.113.80", **where)  # fmt: skip


def test_attempts_without_a_way_out_prove_an_outage_with_its_exact_times() -> None:
    book = dark()
    attempts(book, 1205, 1795)
    (finding,) = find(book.case(span=(0, HOUR)))
    assert (finding.code, finding.severity, finding.confidence) == ("outage", "critical", "high")
    # The last conversation before it runs from 1198 to 1199.
    assert (finding.start_ms, finding.end_ms) == (ms(1199), ms(1800))
    assert finding.evidence["attempts"] == 118
    assert finding.evidence["destinations"][0]["address"] == "203.0.113.80"


def test_attempts_into_a_dead_primary_prove_it_too() -> None:
    book = dark()
    attempts(book, 1205, 1795, link="fibre", egress=2)
    (finding,) = find(book.case(span=(0, HOUR)))
    assert finding.evidence["at_work_shown_by"] == "attempts"


def test_answered_keepalives_on_the_backup_do_not_carry_the_site() -> None:
    book = dark()
    attempts(book, 1205, 1795)
    book.pings(0, HOUR)
    (finding,) = find(book.case(profile(keepalives=[PING]), span=(0, HOUR)))
    assert (finding.confidence, finding.doubts) == ("high", (wording.BACKUP_ANSWERED,))


def test_a_silence_in_which_the_backup_had_a_way_out_is_doubtful_where_nobody_tried() -> None:
    book = dark()
    book.pings(0, HOUR)
    (finding,) = find(book.case(profile(keepalives=[PING]), span=(0, HOUR)))
    assert finding.confidence == "low"
    assert finding.doubts == (wording.NO_ATTEMPTS_SEEN, wording.BACKUP_ANSWERED)


def test_unanswered_keepalives_take_nothing_from_an_outage() -> None:
    book = dark()
    book.pings(0, HOUR, answered=False)
    (finding,) = find(book.case(profile(keepalives=[PING]), span=(0, HOUR)))
    assert (finding.confidence, finding.doubts) == ("medium", (wording.NO_ATTEMPTS_SEEN,))


def test_an_abrupt_silence_between_steady_traffic_is_an_outage_without_attempts() -> None:
    (finding,) = find(dark().case(span=(0, HOUR)))
    assert (finding.evidence["at_work_shown_by"], finding.confidence) == ("abrupt", "medium")


def test_two_and_a_half_minutes_are_too_short() -> None:
    book = dark(1200, 1350)
    attempts(book, 1205, 1345)
    assert find(book.case(span=(0, HOUR))) == []


def test_silence_of_the_exporter_is_no_outage() -> None:
    assert find(dark().case(span=(0, HOUR), heard=[(0, 1199), (1800, HOUR)])) == []


def test_a_site_that_is_often_silent_has_no_outage_when_it_is_silent_again() -> None:
    book = Book()
    for begin in range(0, HOUR, 900):
        book.browse(begin, begin + 500)
    assert find(book.case(span=(0, HOUR))) == []


@pytest.mark.parametrize(("hours", "count"), [("Mon-Fri 08:00-18:00", 1), ("Mon-Fri 14:00-18:00", 0)])
def test_working_hours_decide_where_nobody_is_seen_trying(hours: str, count: int) -> None:
    """The silence lies at 10:20 on a Monday."""
    assert len(find(dark().case(profile(hours=hours), span=(0, HOUR)))) == count


def test_attempts_outside_working_hours_are_work_all_the_same() -> None:
    book = dark()
    attempts(book, 1205, 1795)
    assert len(find(book.case(profile(hours="Mon-Fri 14:00-18:00"), span=(0, HOUR)))) == 1


def test_multicast_and_the_lan_are_no_attempts_to_get_out() -> None:
    book = Book()
    book.browse(0, 300, every=100)
    for start in range(300, HOUR, 5):
        book.row(start, start, way=UP, octets=200, packets=1, link=None, egress=0, outside="239.255.255.250")
        book.row(start, start, way=UP, octets=200, packets=1, link=None, egress=0, outside="192.168.40.255")
    assert find(book.case(span=(0, HOUR))) == []


def test_something_that_still_comes_in_is_no_outage() -> None:
    book = dark()
    attempts(book, 1205, 1795)
    for start in range(0, HOUR, 30):
        book.row(start, start + 1, way=DOWN, octets=44, packets=1, opened_inside=0)
    assert find(book.case(span=(0, HOUR))) == []


def test_an_outage_that_goes_on_says_so() -> None:
    book = Book()
    book.browse(0, 1800)
    attempts(book, 1805, HOUR - 5)
    (finding,) = find(book.case(span=(0, HOUR)))
    assert finding.evidence["ongoing_at_end_of_export"]
    assert finding.end_ms is not None
    assert abs(finding.end_ms - ms(HOUR)) <= 60_000


def test_records_still_open_at_the_end_are_no_outage() -> None:
    """With an active timeout of 300 s the last five minutes show little."""
    book = Book()
    book.browse(0, HOUR - 290)
    assert find(book.case(span=(0, HOUR), resolution_s=300)) == []


def test_an_empty_export_has_no_outage() -> None:
    assert find(Book().case(span=(0, HOUR))) == []


def test_where_links_cannot_be_told_apart_nothing_is_said() -> None:
    book = dark()
    attempts(book, 1205, 1795)
    assert find(book.case(span=(0, HOUR), links_apart=False)) == []


def test_interface_zero_is_no_dead_end_where_no_interface_has_a_number() -> None:
    book = Book()
    book.browse(0, 300, every=100)
    attempts(book, 300, HOUR, ingress=0)
    assert find(book.case(span=(0, HOUR))) == []


def test_a_thin_site_in_its_working_hours_is_silent_by_chance() -> None:
    """A conversation each half minute and then none for four minutes: 0.8^24 is one in two hundred."""
    book = Book()
    book.browse(0, 1800, every=50)
    book.browse(2040, HOUR, every=50)
    assert find(book.case(profile(hours="Mon-Fri 08:00-18:00"), span=(0, HOUR))) == []


@pytest.mark.parametrize("where", [{}, {"link": "fibre", "egress": 2}])
def test_places_that_are_tried_in_vain_all_day_prove_nothing(where: dict[str, Any]) -> None:
    """No route to them, or a one-way report: the site sleeps all the same."""
    book = Book()
    book.browse(0, 900, every=150)
    book.browse(2700, HOUR, every=150)
    attempts(book, 0, HOUR, **where)
    assert find(book.case(span=(0, HOUR))) == []


def test_an_exporter_that_tells_only_of_before_in_the_silence_is_no_outage() -> None:
    """Flows that ended right before are exported within a minute; then it is silent itself."""
    assert find(dark().case(span=(0, HOUR), heard=[(0, 1260), (1800, HOUR)])) == []
    assert find(dark().case(span=(0, HOUR), heard=[(0, 1260), (1740, HOUR)])) == []


def test_a_sign_of_life_now_and_then_is_enough() -> None:
    assert len(find(dark().case(span=(0, HOUR), heard=[(0, 1260), (1440, 1500), (1740, HOUR)]))) == 1
