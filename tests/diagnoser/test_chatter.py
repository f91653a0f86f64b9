"""What on a backup looks like a keepalive that the profile does not list: the size and the pace decide."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from flowdiag.diagnoser.cautions import cautions
from flowdiag.diagnoser.signals.link_states import link_states
from tests.diagnoser.building import ICMP, TCP, UDP, Book

HOUR = 3600
ROUTER = "192.0.2.10"
PLACE = "198.51.100.7"


def paces(book: Book) -> list[float]:
    """Intervals, to a tenth of a second, of the keepalives that are named over an hour."""
    return [round(one.interval_s, 1) for one in link_states(book.case(span=(0, HOUR))).candidates]


def left_out(book: Book) -> bool:
    """Whether nothing of it is ordinary traffic."""
    return not link_states(book.case(span=(0, HOUR))).ordinary.any()


def told(times: Sequence[float], *, up: float, down: float, packets: int = 1, **more: Any) -> Book:
    """One record each way at each time, of `packets` packets of up and down octets."""
    book = Book()
    how: dict[str, Any] = {"link": "lte", "inside": ROUTER, "outside": PLACE, "packets": packets, **more}
    for at in times:
        book.talk(at, at + 0.04, down * packets, up * packets, **how)
    return book


def every(seconds: float) -> list[float]:
    return np.arange(1.0, HOUR, seconds).tolist()


def now_and_then(mean_s: float) -> list[float]:
    """As people and programs ask: the times between are spread exponentially."""
    return (1.0 + np.cumsum(np.random.default_rng(4).exponential(mean_s, round(HOUR / mean_s)))).tolist()


@pytest.mark.parametrize("interval", [1, 5, 10, 30, 60])
def test_pings_at_a_fixed_interval_are_named_with_it(interval: float) -> None:
    assert paces(told(every(interval), up=84, down=84, protocol=ICMP, port=0)) == [interval]


def test_probes_by_udp_and_checks_by_tcp_are_named() -> None:
    assert paces(told(every(20), up=60, down=100, protocol=UDP, port=3544)) == [20]
    # A connection that opens and closes: four packets out and three back in 40 ms.
    assert paces(told(every(30), up=52, down=52, packets=4, protocol=TCP, port=443)) == [30]


def test_probes_within_long_records_and_answers_alone_are_named() -> None:
    together = Book()
    together.pings(0, HOUR, interval=10, a_record=30)
    assert paces(together) == [10]
    assert paces(told(every(10), up=0, down=84, protocol=ICMP, port=0)) == [10]


def test_a_heartbeat_of_150_octets_is_a_keepalive_and_larger_ones_are_chatter_only() -> None:
    small = told(every(25), up=150, down=150, protocol=UDP, port=4500)
    large = told(every(25), up=151, down=100, protocol=UDP, port=4500)
    assert (paces(small), left_out(small)) == ([25], True)
    assert (paces(large), left_out(large)) == ([], True)


def test_large_answers_make_it_no_keepalive_however_small_the_questions_are() -> None:
    asked = told(every(30), up=84, down=200, protocol=UDP, port=4500)
    assert (paces(asked), left_out(asked)) == ([], True)


def test_the_small_half_of_web_transfers_is_no_keepalive_and_ordinary() -> None:
    """Acknowledgements of 40 octets, in five connections to one server over the hour: with them came 4 MB."""
    book = Book()
    for at in (0, 700, 1600, 2300, 3400):
        book.row(at, at + 6, way=0, octets=800_000, packets=550, link="lte", outside=PLACE)
        book.row(at, at + 6, way=1, octets=11_000, packets=275, link="lte", outside=PLACE)
    states = link_states(book.case(span=(0, HOUR)))
    assert states.candidates == ()
    assert states.ordinary.all()


def test_a_page_that_asks_its_server_each_half_minute_is_no_keepalive() -> None:
    """By a new connection with its handshake: 8 packets of 100 octets out and 8 of 400 back."""
    asked = told(every(30), up=100, down=400, packets=8, protocol=TCP, port=443)
    assert (paces(asked), left_out(asked)) == ([], True)


def test_small_web_requests_as_people_make_them_have_no_pace() -> None:
    asked = told(now_and_then(20), up=80, down=120, packets=5, protocol=TCP, port=80)
    assert (paces(asked), left_out(asked)) == ([], True)


def test_a_web_connection_that_stays_open_is_no_keepalive() -> None:
    book = Book()
    for at in range(0, HOUR, 60):
        book.talk(at, at + 59, 600, 600, link="lte", outside=PLACE, packets=6)
    assert (paces(book), left_out(book)) == ([], True)


def test_name_look_ups_are_named_only_if_they_come_at_a_fixed_interval() -> None:
    asked = told(now_and_then(15), up=62, down=110, protocol=UDP, port=53)
    assert (paces(asked), left_out(asked)) == ([], True)
    assert paces(told(every(15), up=62, down=110, protocol=UDP, port=53)) == [15]


@pytest.mark.parametrize("interval", [16, 32, 64])
def test_asking_for_the_time_is_no_keepalive(interval: float) -> None:
    """76 octets every 16 s to 18 h (RFC 5905)."""
    asked = told(every(interval), up=76, down=76, protocol=UDP, port=123)
    assert (paces(asked), left_out(asked)) == ([], True)


def test_what_comes_less_often_than_a_minute_or_more_often_than_a_second_is_not_named() -> None:
    for interval in (64, 0.9):
        book = told(every(interval), up=84, down=0, protocol=UDP, port=9000)
        assert (paces(book), left_out(book)) == ([], True)


def test_the_ends_of_the_pace() -> None:
    """A second and a minute, a twentieth off."""
    for interval, named in ((0.95, [0.9]), (0.94, []), (63, [63.0]), (63.1, [])):
        assert paces(told(every(interval), up=40, down=0, protocol=UDP, port=9000)) == named


def test_two_kilobits_a_second_are_chatter_and_more_is_traffic() -> None:
    """915,000 octets in the 61 minutes in which the exporter was heard: 90 times 50 packets each way of 203.3 octets both."""
    for octets, chat in ((103, True), (104, False)):
        book = told(every(40), up=octets, down=100, packets=50, protocol=UDP, port=9000)
        assert left_out(book) is chat


def test_two_places_are_watched_and_three_are_somebodys_traffic() -> None:
    for places, named in ((2, [10, 10]), (3, [])):
        book = Book()
        for place in range(places):
            for at in every(10):
                book.talk(at, at, 84, 84, link="lte", packets=1, inside=ROUTER, protocol=ICMP, port=0,
                          outside=f"198.51.100.{place + 1}")  # fmt: skip
        assert (paces(book), left_out(book)) == (named, bool(named))


def test_packets_of_300_octets_are_small_and_larger_ones_are_not() -> None:
    for octets, chat in ((300, True), (301, False)):
        assert left_out(told(every(25), up=octets, down=octets, protocol=UDP, port=4500)) is chat


def test_five_records_are_chatter_and_four_are_not() -> None:
    for records in (5, 4):
        book = told(np.linspace(1, 3500, records).tolist(), up=84, down=0, protocol=UDP, port=9000)
        assert left_out(book) is (records == 5)


def test_of_a_sampled_export_no_pace_is_known() -> None:
    book = told(every(10), up=84, down=84, protocol=ICMP, port=0, sampling=2)
    assert paces(book) == []
    assert left_out(book)


def test_the_caution_says_the_measured_pace() -> None:
    book = told(every(10), up=84, down=84, protocol=ICMP, port=0)
    (hint,) = [said for said in cautions(book.case(span=(0, HOUR)), ()) if PLACE in said]
    assert "about one every 10" in hint
