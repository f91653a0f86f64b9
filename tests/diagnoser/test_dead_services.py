"""Services that one host tried in vain, too seldom for a finding."""

from __future__ import annotations

from typing import Any

import pytest

from flowdiag.aggregator.site_flows import UP
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.finding import Verdict
from flowdiag.diagnoser.signals.dead_services import dead_services
from tests.diagnoser.building import SYN, UDP, Book, ms, profile

HOUR = 3600
DEAD = "203.0.113.240"


def in_vain(book: Book, begin: float, end: float, count: int, **more: Any) -> None:
    where: dict[str, Any] = {"inside": "192.168.40.20", "outside": DEAD, "flags": SYN, **more}
    for number in range(count):
        start = begin + number * (end - begin) / count
        book.row(start, start + 3, way=UP, octets=180, packets=3, inside_port=41_000 + number, **where)


def office(until: float = HOUR) -> Book:
    """Half a conversation a second of six hosts: each has 300 an hour."""
    book = Book()
    book.browse(0, until)
    return book


def told(book: Book, **more: Any) -> Verdict:
    return diagnose(book.case(profile(backup=False), **more)).verdict


def test_ten_attempts_in_vain_that_began_within_the_export_are_named_and_take_the_certainty() -> None:
    book = office()
    in_vain(book, 1200, 2400, 10)
    verdict = told(book)
    assert (verdict.code, verdict.confidence) == ("not-the-link", "medium")
    assert any(
        f"192.168.40.20 (imaging archive) got no answer from {DEAD}, port 443, to 10 of 10" in said
        for said in verdict.reasons
    )
    assert "your imaging archive got no answer from a service that it tried 10 times" in verdict.sentence
    assert "Wi-Fi" not in verdict.sentence + " ".join(action.text for action in verdict.next_steps)


def test_nine_are_not() -> None:
    book = office()
    in_vain(book, 1200, 2400, 9)
    assert dead_services(book.case(profile(backup=False))) == []
    assert told(book).confidence == "high"


@pytest.mark.parametrize(("count", "confidence"), [(60, "high"), (80, "medium")])
def test_what_fails_all_along_weighs_by_its_part_of_all_that_the_host_tries(
    count: int, confidence: str
) -> None:
    """Beside 300 that are answered: 60 of 360 are a sixth, 80 of 380 more than a fifth."""
    book = office()
    in_vain(book, 0, HOUR, count, port=8883)
    verdict = told(book)
    assert verdict.confidence == confidence
    assert any(f"to {count} of {count} attempts" in said for said in verdict.reasons)


def test_a_service_that_answers_at_another_time_is_missed_whenever_it_began() -> None:
    book = office()
    in_vain(book, 0, 1800, 20)
    book.talk(3000, 3002, 5_000, 500, inside="192.168.40.22", outside=DEAD, inside_port=45_000)
    (service,) = dead_services(book.case(profile(backup=False)))
    assert (service.weighs, service.failed, service.start_ms) == (True, 20, ms(0))


@pytest.mark.parametrize(("answered", "found"), [(40, 1), (41, 0)])
def test_a_fifth_of_the_attempts_has_to_fail(answered: int, found: int) -> None:
    book = office()
    in_vain(book, 600, 3000, 10)
    for number in range(answered):
        at = 610 + 50 * number
        book.talk(at, at + 2, 5_000, 500, inside="192.168.40.20", outside=DEAD, inside_port=46_000 + number)
    assert len(dead_services(book.case(profile(backup=False)))) == found


def test_calls_that_fail_all_along_weigh_although_they_are_a_small_part() -> None:
    book = office()
    in_vain(book, 0, HOUR, 20, port=5060, protocol=UDP, flags=0)
    assert told(book).confidence == "medium"


@pytest.mark.parametrize(("port", "count"), [(5060, 1), (123, 0)])
def test_calls_are_missed_and_a_clock_that_is_not_set_is_not(port: int, count: int) -> None:
    book = office()
    in_vain(book, 600, 3000, 20, port=port, protocol=UDP, flags=0)
    assert len(dead_services(book.case(profile(backup=False)))) == count


def test_only_the_time_asked_about_counts() -> None:
    book = office()
    in_vain(book, 600, 1200, 20)
    assert dead_services(book.case(profile(backup=False), window=(1800, HOUR))) == []


def test_of_very_many_the_most_tried_are_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    book = office()
    for number in range(4):
        in_vain(book, 1200, 2400, 10 + number, outside=f"203.0.113.{240 + number}")
    case = book.case(profile(backup=False))
    assert [one.failed for one in dead_services(case)] == [13, 12, 11]
    monkeypatch.setattr("flowdiag.diagnoser.signals.dead_services.MOST_JUDGED", 2)
    assert [one.failed for one in dead_services(case)] == [13, 12]
