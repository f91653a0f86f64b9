"""Floods by half-open connections and sources against what is usual; rates that keep the all-clear from being sure."""

from __future__ import annotations

from typing import Any

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.findings import inbound_flood, not_the_link
from flowdiag.diagnoser.signals.unusual_rates import UnusualRate, unusual_rates
from tests.diagnoser.building import SYN, UDP, Book, ms
from tests.diagnoser.test_beyond import HOUR, crowd, flood, office


def knocks(book: Book, begin: float, end: float, a_second: float, *, sources: int = 2000, **more: Any) -> int:
    """One SYN each from ports of their own; returns how many."""
    count = round((end - begin) * a_second)
    how: dict[str, Any] = {
        "flags": SYN,
        "inside_port": 443,
        "opened_inside": 0,
        "octets": 60,
        "packets": 1,
        **more,
    }
    for number in range(count):
        start = begin + number / a_second
        book.row(start, start, way=DOWN, outside=crowd(number % sources), port=1024 + number % 60_000, **how)
    return count


def floods(book: Book) -> list[Finding]:
    return inbound_flood.find(book.case(span=(0, HOUR)))


def test_one_syn_each_from_many_sources_is_a_flood_with_target_port_and_half_open_count() -> None:
    """80 a second for ten minutes, 0.04 of the link's 100 Mbit/s: 48,000 connections from 2,000 addresses."""
    book = office()
    assert knocks(book, 600, 1200, 80) == 48_000
    (finding,) = floods(book)
    evidence = finding.evidence
    assert (evidence["sources"], evidence["mean_packets_s"], evidence["half_open"]) == (2000, 80, 48_000)
    assert (evidence["protocol"], evidence["port"], evidence["usual_packets_s"]) == (6, 443, 0.0)
    assert (finding.start_ms, finding.end_ms) == (ms(600), ms(1200 - 1 / 80))
    assert "to TCP port 443 (web) of 192.168.40.20 (imaging archive) between" in finding.summary
    assert "48,000 connections stayed half open" in finding.summary
    assert "Usual there: under 1 packet/s" in finding.summary
    assert "even while the line has room" in finding.client
    assert finding.confidence == "medium"  # under four times 50


def test_under_fifty_a_second_and_under_ten_times_the_usual_there_is_no_flood() -> None:
    book = office()
    knocks(book, 600, 1200, 45)
    assert floods(book) == []
    usual = office()
    knocks(usual, 0, HOUR, 8)  # 8 a second always and 60 more for ten minutes: 68 is under ten times 8
    knocks(usual, 600, 1200, 60)
    assert floods(usual) == []


def test_a_minute_is_enough_and_less_is_not() -> None:
    for seconds, expected in ((120, 1), (60, 1), (40, 0)):
        book = office()
        knocks(book, 600, 600 + seconds, 300)
        assert len(floods(book)) == expected


def test_connections_that_the_source_went_on_with_are_not_half_open() -> None:
    book = office()
    knocks(book, 600, 1200, 80)
    knocks(book, 601, 1201, 80, flags=0x18, octets=800, packets=6)
    assert floods(book) == []


def test_a_single_busy_source_among_the_noise_is_no_flood() -> None:
    book = office()
    knocks(book, 600, 1200, 80, sources=1)
    knocks(book, 600, 1200, 5)
    assert floods(book) == []


def test_unasked_answers_of_name_servers_are_a_flood_and_their_port_is_said() -> None:
    """60 a second from 300 servers."""
    book = office()
    flood(book, 600, 1200, sources=300, packets_s=60, protocol=UDP, flags=0, port=53)
    (finding,) = floods(book)
    assert (finding.evidence["from_port"], finding.evidence["half_open"]) == (53, 0)
    assert "from their port 53: answers to questions that the site never asked" in finding.summary


def test_sampled_syns_among_sound_connections_are_no_flood() -> None:
    """Each sampled packet stands for 100: a SYN here, the rest of as many connections there."""
    book = office()
    knocks(book, 600, 1200, 8, packets=100, octets=6000, sampling=100)
    knocks(book, 600, 1200, 30, flags=0x10, packets=100, octets=6000, sampling=100, sources=1999)
    assert floods(book) == []
    alone = office()
    knocks(alone, 600, 1200, 8, packets=100, octets=6000, sampling=100)
    assert len(floods(alone)) == 1


def test_fifteen_half_open_connections_a_second_are_unusual_though_no_flood() -> None:
    book = office()
    knocks(book, 1200, 1500, 15)
    case = book.case(span=(0, HOUR), window=(1200, 1800))
    assert inbound_flood.find(case) == []
    assert unusual_rates(case) == [UnusualRate("half-open", 900, 0.0, ms(1200))]
    verdict = not_the_link.verdict(case)
    assert verdict.confidence != "high"
    assert any("900 connections in the minute of" in reason for reason in verdict.reasons)


def test_what_is_usual_or_lies_outside_the_window_is_no_doubt() -> None:
    always = office()
    knocks(always, 0, HOUR, 12)
    assert unusual_rates(always.case(span=(0, HOUR), window=(1200, 1800))) == []
    elsewhere = office()
    knocks(elsewhere, 2400, 2700, 15)
    assert unusual_rates(elsewhere.case(span=(0, HOUR), window=(1200, 1800))) == []
    assert unusual_rates(office().case(span=(0, HOUR))) == []


def test_twenty_five_unanswered_attempts_in_ten_minutes_are_unusual() -> None:
    """Of 150 that were answered (one each 4 s) and these 25; the dead place is tried by three hosts."""
    book = office()
    for number in range(25):
        book.row(1200 + 24 * number, 1203 + 24 * number, way=UP, octets=180, packets=3, flags=SYN,
                 inside=f"192.168.40.{40 + number % 3}", inside_port=9000 + number, outside="203.0.113.200")  # fmt: skip
    case = book.case(span=(0, HOUR), window=(1200, 1800))
    assert unusual_rates(case) == [UnusualRate("unanswered", 25, 0.0, ms(1200), tried=175)]


def test_small_packets_that_nothing_matches_are_unusual() -> None:
    """90,000 packets of 64 octets in a minute are 1,500 a second."""
    book = Book()
    book.row(1200, 1260, way=DOWN, octets=90_000 * 64, packets=90_000, protocol=UDP, flags=0, port=9999)
    (rate,) = unusual_rates(book.case(span=(0, HOUR), window=(1200, 1800)))
    assert (rate.what, rate.most, rate.link, rate.direction) == ("packets", 1500, 0, DOWN)
    # Acknowledgements of a download are as many small packets, and the other direction matches them.
    download = office()
    download.row(1200, 1260, way=UP, octets=90_000 * 40, packets=90_000)
    download.row(1200, 1260, way=DOWN, octets=180_000 * 1500, packets=180_000)
    assert unusual_rates(download.case(span=(0, HOUR), window=(1200, 1800))) == []


def test_half_a_scan_is_unusual() -> None:
    book = office()
    for number in range(120):
        book.row(1200 + number, 1200 + number, way=UP, octets=60, packets=1, flags=SYN, port=8291,
                 inside="192.168.40.66", inside_port=10_000 + number, outside=crowd(number))  # fmt: skip
    case = book.case(span=(0, HOUR), window=(1200, 1800))
    assert unusual_rates(case) == [UnusualRate("addresses", 120, None, ms(1200))]
