"""Where rates begin to be unusual, each at its threshold and just under it."""

from __future__ import annotations

import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.signals.unusual_rates import UnusualRate, unusual_rates
from tests.diagnoser.building import SYN, UDP, Book, ms
from tests.diagnoser.test_beyond import HOUR, office
from tests.diagnoser.test_floods import knocks

WINDOW = (1200, 1800)


def unusual(book: Book) -> list[UnusualRate]:
    return unusual_rates(book.case(span=(0, HOUR), window=WINDOW))


@pytest.mark.parametrize(("end", "usual_a_second", "found"), [
    (1260, 0, True),  # 600 in the minute
    (1259.9, 0, False),  # 599
    (1260, 200 / 60, True),  # three times as many as usual
    (1260, 201 / 60, False),
])  # fmt: skip
def test_ten_half_open_connections_a_second_and_three_times_the_usual(
    end: float, usual_a_second: float, found: bool
) -> None:
    book = Book()
    if usual_a_second:
        knocks(book, 0, 1200, usual_a_second)
        knocks(book, 1800, HOUR, usual_a_second)
    knocks(book, 1200, end, 10)
    usual = round(60 * usual_a_second)
    assert unusual(book) == ([UnusualRate("half-open", 600, usual, ms(1200))] if found else [])


def unanswered(count: int, answered_more: int = 0) -> Book:
    """Attempts in vain beside the office's 150 in ten minutes, one each 4 s, and some more that are answered."""
    book = office()
    for number in range(count):
        start = 1200 + 600 * number / count
        book.row(start, start + 3, way=UP, octets=180, packets=3, flags=SYN, inside=f"192.168.40.{40 + number % 3}",
                 inside_port=9000 + number, outside="203.0.113.200")  # fmt: skip
    for number in range(answered_more):
        book.talk(1201 + number, 1202 + number, 5000, 500, inside_port=12_000 + number)
    return book


def test_twenty_attempts_in_vain_in_ten_minutes() -> None:
    assert unusual(unanswered(20)) == [UnusualRate("unanswered", 20, 0.0, ms(1200), tried=170)]
    assert unusual(unanswered(19)) == []


def test_a_tenth_of_all_attempts_is_enough() -> None:
    assert unusual(unanswered(20, 30)) == [UnusualRate("unanswered", 20, 0.0, ms(1200), tried=200)]
    assert unusual(unanswered(20, 31)) == []


@pytest.mark.parametrize(("packets", "matched", "octets", "a_second"), [
    (60_000, 0, 64, 1000),
    (59_999, 0, 64, None),
    (90_000, 15_000, 64, 1000),  # two for each that goes the other way
    (90_000, 15_001, 64, None),
    (60_000, 0, 200, 1000),
    (60_000, 0, 201, None),  # no small ones
])  # fmt: skip
def test_a_thousand_small_packets_a_second_that_nothing_matches(
    packets: int, matched: int, octets: int, a_second: int | None
) -> None:
    book = Book()
    book.row(1200, 1260, way=DOWN, octets=packets * octets, packets=packets, protocol=UDP, flags=0, port=9999)
    if matched:
        book.row(1200, 1260, way=UP, octets=matched * 500, packets=matched, protocol=UDP, flags=0, port=9999)
    found = UnusualRate("packets", a_second or 0, 0.0, ms(1200), link=0, direction=DOWN)
    assert unusual(book) == ([found] if a_second else [])
