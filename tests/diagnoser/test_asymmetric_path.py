"""Answers that come back by another link than their requests left."""

from __future__ import annotations

import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.findings.asymmetric_path import find
from flowdiag.site.profile import Link
from tests.diagnoser.building import ICMP, PING, UDP, Book, ms, profile

CABLE = Link(name="cable", interfaces=[4], down_mbps=50, up_mbps=10, framing="ip")


def crossing(
    conversations: int = 30,
    *,
    every: float = 10.0,
    late: float = 0.0,
    length: float = 8.0,
    down: float = 20_000,
    protocol: int = 6,
) -> Book:
    """Conversations asked by fibre and answered by lte, their answers so many seconds later."""
    book = Book()
    for number in range(conversations):
        start = number * every
        same = {"inside_port": 30_000 + number, "protocol": protocol}
        book.row(start, start + length, way=UP, octets=down / 20, link="fibre", **same)  # type: ignore[arg-type]
        book.row(start + late, start + late + length, way=DOWN, octets=down, link="lte", **same)  # type: ignore[arg-type]
    return book


def case_of(book: Book) -> Case:
    return book.case(span=(0, 3600))


def test_it_says_which_links_who_and_when() -> None:
    (finding,) = find(case_of(crossing(30)))
    assert (finding.link, finding.direction, finding.severity) == ("lte", "down", "warning")
    assert (finding.start_ms, finding.end_ms) == (ms(0), ms(298))
    assert finding.confidence == "high"
    evidence = finding.evidence
    assert (evidence["requests_by"], evidence["answers_by"]) == ("fibre", "lte")
    assert (evidence["conversations"], evidence["octets"]) == (30, 30 * 21_000)
    assert evidence["conversation_share"] == 1.0
    assert evidence["hosts"] == [{"address": "192.168.40.20", "label": "imaging archive", "share": 1.0}]
    assert "answers to 30 conversations" in finding.summary
    assert '"fibre" came back by "lte": 100% of' in finding.summary
    assert "192.168" not in finding.client


@pytest.mark.parametrize(("conversations", "found"), [(19, 0), (20, 1)])
def test_twenty_conversations_are_no_chance(conversations: int, found: int) -> None:
    assert len(find(case_of(crossing(conversations, every=20)))) == found


@pytest.mark.parametrize(("last", "found"), [(179.0, 0), (180.0, 1)])
def test_three_minutes_are_no_moment(last: float, found: int) -> None:
    # The last of 24 begins at 23 * every and lasts 8 seconds.
    assert len(find(case_of(crossing(24, every=(last - 8) / 23)))) == found


@pytest.mark.parametrize(("late", "found"), [(4.0, 1), (4.1, 0)])
def test_directions_that_follow_each_other_are_a_change_of_the_line(late: float, found: int) -> None:
    """Of eight seconds each, four of which they share, or a little less."""
    assert len(find(case_of(crossing(30, late=late)))) == found


def test_a_link_that_carries_both_directions_is_the_path() -> None:
    book = crossing(30)
    for number in range(30):  # the same answers by fibre as well: copies, or packets by turns
        book.row(
            number * 10, number * 10 + 8, way=DOWN, octets=500, link="fibre", inside_port=30_000 + number
        )
    assert not find(case_of(book))


def test_a_leak_and_keepalives_take_one_way() -> None:
    book = Book()
    book.browse(0, 3000, link="lte")
    book.browse(0, 3000)
    book.pings(0, 3000)
    assert not find(book.case(profile(keepalives=[PING]), span=(0, 3600)))


def test_only_conversations_with_ports_are_told_apart() -> None:
    assert find(case_of(crossing(30, protocol=UDP)))
    assert not find(case_of(crossing(30, protocol=ICMP)))


def test_one_link_or_links_that_are_not_told_apart_say_nothing() -> None:
    assert not find(
        crossing(30).case(profile(backup=False, extra=[CABLE]), span=(0, 3600), links_apart=False)
    )
    alone = Book()
    alone.browse(0, 3000)
    assert not find(alone.case(profile(backup=False), span=(0, 3600)))


def test_each_pair_of_links_is_a_finding() -> None:
    book = crossing(30)
    for number in range(25):
        book.row(number * 10, number * 10 + 8, way=UP, octets=900, link="cable", inside_port=40_000 + number)
        book.row(
            number * 10, number * 10 + 8, way=DOWN, octets=9_000, link="fibre", inside_port=40_000 + number
        )
    pairs = [
        (finding.evidence["requests_by"], finding.evidence["answers_by"])
        for finding in find(book.case(profile(extra=[CABLE]), span=(0, 3600)))
    ]
    assert pairs == [("fibre", "lte"), ("cable", "fibre")]


def beside(ordinary: float) -> Book:
    """Crossing conversations of 630,000 octets beside ordinary ones of so many in the same time."""
    book = crossing(30)
    book.talk(0, 298, ordinary / 2, ordinary / 2, inside="192.168.40.30")
    return book


@pytest.mark.parametrize(
    ("ordinary", "verdict", "confidence"),
    [(630_000 * 4, "asymmetric-path", "high"), (630_000 * 4.01, "not-the-link", "medium")],
)
def test_a_fifth_of_the_octets_explains_a_complaint(ordinary: float, verdict: str, confidence: str) -> None:
    """630,000 of 3,150,000 octets are a fifth."""
    case = beside(ordinary).case(span=(0, 298), window=(0, 298))
    assert find(case)[0].confidence == confidence
    assert diagnose(case).verdict.code == verdict


def test_of_sampled_packets_it_is_less_sure() -> None:
    book = crossing(30)
    book.rows = [(*row[:13], 100, *row[14:]) for row in book.rows]
    assert find(case_of(book))[0].confidence == "medium"
