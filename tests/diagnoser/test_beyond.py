"""Trouble beyond the link: dead services, floods, scans, and what resembles them."""

from __future__ import annotations

from typing import Any

import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.findings import inbound_flood, outbound_scan, unanswered_connections
from flowdiag.diagnoser.signals.conversations import ACK, RST
from tests.diagnoser.building import ICMP, SYN, UDP, Book, ms

HOUR = 3600


def crowd(number: int) -> str:
    """One of many outside addresses (RFC 2544 range)."""
    return f"198.18.{number // 250}.{number % 250 + 1}"


def found(case: Case) -> list[Finding]:
    return [
        finding
        for finder in (unanswered_connections, inbound_flood, outbound_scan)
        for finding in finder.find(case)
    ]


def codes(case: Case) -> list[str]:
    return [finding.code for finding in found(case)]


def office() -> Book:
    book = Book()
    book.browse(0, HOUR, every=4)
    return book


def dead(
    book: Book, begin: int = 600, end: int = 3000, *, every: int = 10, hosts: int = 5, **more: Any
) -> None:
    how: dict[str, Any] = {"octets": 180, "packets": 3, "flags": SYN, "outside": "203.0.113.200", **more}
    for number, start in enumerate(range(begin, end, every)):
        book.row(start, start + 3, way=UP, inside=f"192.168.40.{40 + number % hosts}",
                 inside_port=9000 + number, **how)  # fmt: skip


def test_a_place_that_answers_nobody_is_named_with_counts_and_times() -> None:
    book = office()
    dead(book)
    (finding,) = found(book.case(span=(0, HOUR)))
    assert (finding.code, finding.severity) == ("unanswered-connections", "warning")
    assert (finding.evidence["unanswered"], finding.evidence["unanswered_share"]) == (240, 1.0)
    assert finding.evidence["hosts_affected"] == 5
    assert finding.evidence["destinations"] == [{"address": "203.0.113.200", "label": None, "share": 1.0}]
    assert (finding.start_ms, finding.end_ms) == (ms(600), ms(2993))


def test_names_that_do_not_resolve_are_found_by_their_missing_replies() -> None:
    book = office()
    dead(book, protocol=UDP, port=53, flags=0, octets=70, packets=1)
    (finding,) = found(book.case(span=(0, HOUR)))
    assert (finding.evidence["port"], finding.evidence["unanswered"]) == (53, 240)


def test_names_that_resolve_nine_times_in_ten_are_ordinary() -> None:
    book = office()
    for number, start in enumerate(range(0, HOUR, 5)):
        book.talk(start, start, 200 if number % 10 else 0, 70, protocol=UDP, port=53, flags=0, packets=1,
                  inside_port=9000 + number, outside="198.51.100.53")  # fmt: skip
    assert codes(book.case(span=(0, HOUR))) == []


def test_a_refusal_is_an_answer() -> None:
    book = office()
    dead(book)
    for number, start in enumerate(range(600, 3000, 10)):
        book.row(start, start, way=DOWN, octets=40, packets=1, flags=0x14, outside="203.0.113.200",
                 inside=f"192.168.40.{40 + number % 5}", inside_port=9000 + number)  # fmt: skip
    assert codes(book.case(span=(0, HOUR))) == []


def test_a_service_that_fails_at_many_places_at_once_is_one_finding() -> None:
    book = Book()
    book.browse(0, 600)
    book.browse(600, HOUR, every=20)
    for place in range(20):
        dead(book, 600 + place, 3000, every=60, hosts=5, outside=f"203.0.113.{100 + place}")
    (finding,) = found(book.case(span=(0, HOUR)))
    assert finding.evidence["places"] == 20


def test_one_device_that_calls_a_dead_place_for_ever_is_no_finding() -> None:
    book = office()
    dead(book, 0, HOUR, hosts=1)
    assert codes(book.case(span=(0, HOUR))) == []


def test_a_dead_place_that_few_attempts_go_to_is_no_finding() -> None:
    """36 of 936 attempts, under a twentieth."""
    book = office()
    dead(book, 0, HOUR, every=100)
    assert codes(book.case(span=(0, HOUR))) == []


def test_a_one_way_or_sampled_export_says_nothing() -> None:
    book = Book()
    dead(book)
    assert codes(book.case(span=(0, HOUR))) == []
    book = office()
    dead(book, sampling=100)
    assert codes(book.case(span=(0, HOUR))) == []


def test_without_flags_small_records_without_an_answer_count() -> None:
    book = office()
    dead(book, flags=-1)
    assert codes(book.case(span=(0, HOUR))) == ["unanswered-connections"]


def scan(book: Book, count: int, begin: float = 600, every: float = 0.5, **more: Any) -> None:
    how: dict[str, Any] = {
        "inside": "192.168.40.66", "octets": 60, "packets": 1, "flags": SYN, "port": 445, **more,
    }  # fmt: skip
    for number in range(count):
        start = begin + number * every
        book.row(start, start, way=UP, inside_port=10_000 + number % 50_000, outside=crowd(number), **how)


def test_a_scan_names_its_host_ports_and_addresses() -> None:
    book = office()
    scan(book, 1000)
    (finding,) = found(book.case(span=(0, HOUR)))
    assert (finding.code, finding.severity) == ("outbound-scan", "critical")
    assert (finding.evidence["addresses_tried"], finding.evidence["ports"]) == (1000, [445])
    assert finding.evidence["hosts"] == [{"address": "192.168.40.66", "label": None, "share": 1.0}]
    assert (finding.start_ms, finding.end_ms) == (ms(600), ms(1099.5))
    assert not finding.evidence["fills_link"]
    assert {action.who for action in finding.actions} == {"security contact", "helpdesk"}


@pytest.mark.parametrize(
    ("inside", "who"),
    [
        ("192.168.40.66", "One device at the site"),
        ("192.168.40.20", "Your imaging archive"),
        # Outside the site's networks: a router's own address, with everybody behind it (RFC 2663 4.1.2).
        ("198.51.100.77", "A device at the site (the measurements do not tell which)"),
    ],
)
def test_a_client_hears_who_scans_as_far_as_that_is_known(inside: str, who: str) -> None:
    book = office()
    scan(book, 1000, inside=inside)
    (finding,) = outbound_scan.find(book.case(span=(0, HOUR)))
    assert finding.client.startswith(f"{who} is calling very many unknown addresses")


def test_pings_and_datagrams_to_very_many_addresses_are_scans() -> None:
    for more in ({"protocol": ICMP, "port": 2048, "flags": 0}, {"protocol": UDP, "port": 161, "flags": 0}):
        book = office()
        scan(book, 600, **more)
        assert codes(book.case(span=(0, HOUR))) == ["outbound-scan"]


def test_fewer_addresses_than_the_threshold_are_no_scan() -> None:
    book = office()
    scan(book, 190)
    assert codes(book.case(span=(0, HOUR))) == []


def test_a_patient_scan_is_told_by_the_hour() -> None:
    """One address each 6.5 s: 93 in ten minutes, under 200; 553 in an hour, over 500."""
    book = office()
    scan(book, 553, begin=0, every=6.5)
    (finding,) = outbound_scan.find(book.case(span=(0, HOUR)))
    assert finding.evidence["addresses_tried"] == 553
    assert finding.evidence["most_addresses_in_ten_minutes"] == 93
    slower = office()
    scan(slower, 480, begin=0, every=7.5)
    assert outbound_scan.find(slower.case(span=(0, HOUR))) == []


def test_addresses_that_refuse_are_scanned_all_the_same() -> None:
    """Two of three answer by RST and ACK (RFC 9293 3.10.7.1): doors that were tried and found shut."""
    book = office()
    scan(book, 900)
    for number in range(0, 900, 3):
        for shut in (number, number + 1):
            start = 600 + shut * 0.5
            book.row(start, start, way=DOWN, octets=40, packets=1, inside="192.168.40.66", port=445,
                     inside_port=10_000 + shut, outside=crowd(shut), flags=RST | ACK)  # fmt: skip
    (finding,) = outbound_scan.find(book.case(span=(0, HOUR)))
    assert finding.evidence["addresses_tried"] == 900
    # Doors that open are no scan: the same records, had they accepted.
    opened = office()
    for number in range(900):
        start = 600 + number * 0.5
        opened.talk(start, start, 400, 400, inside="192.168.40.66", inside_port=10_000 + number,
                    outside=crowd(number), port=445)  # fmt: skip
    assert outbound_scan.find(opened.case(span=(0, HOUR))) == []


def test_a_scan_that_fills_the_upload_says_so() -> None:
    book = office()
    # 20 Mbit/s of probes for ten minutes: 2000 probes of 750,000 octets stand for more, one each 0.3 s.
    scan(book, 2000, every=0.3, octets=750_000, packets=3)
    (finding,) = outbound_scan.find(book.case(span=(0, HOUR)))
    assert finding.evidence["fills_link"]


def test_a_resolver_of_the_sites_own_is_no_scan() -> None:
    book = office()
    for number in range(3000):
        start = 600 + number * 0.5
        book.talk(start, start, 0 if number % 33 == 0 else 230, 75, protocol=UDP, port=53, flags=0, packets=1,
                  inside="192.168.40.53", inside_port=10_000 + number,
                  outside=crowd(number))  # fmt: skip
    assert codes(book.case(span=(0, HOUR))) == []


def test_a_peer_to_peer_program_is_no_scan() -> None:
    """Hundreds of peers, six in ten of them dead, every one on a port of its own."""
    book = office()
    for number in range(1500):
        start = 600 + number
        book.talk(start, start + 1, 0 if number % 10 < 6 else 40_000, 180, packets=3, inside="192.168.40.66",
                  flags=SYN if number % 10 < 6 else 0x1B, inside_port=10_000 + number,
                  port=1024 + number * 37 % 60_000, outside=crowd(number))  # fmt: skip
    assert codes(book.case(span=(0, HOUR))) == []


def flood(book: Book, begin: float, end: float, *, sources: int, packets_s: float, **more: Any) -> None:
    how: dict[str, Any] = {"flags": SYN, "port": 40_000, "inside_port": 443, "opened_inside": 0, **more}
    for number in range(sources):
        packets = packets_s * (end - begin) / sources
        book.row(begin, end, way=DOWN, octets=packets * 60, packets=packets,
                 outside=crowd(number), **how)  # fmt: skip


def test_a_flood_has_its_sources_rate_and_target() -> None:
    book = office()
    flood(book, 600, 1800, sources=500, packets_s=20_000)
    (finding,) = found(book.case(span=(0, HOUR)))
    assert (finding.code, finding.severity, finding.direction) == ("inbound-flood", "critical", "down")
    assert (finding.evidence["sources"], finding.evidence["mean_packets_s"]) == (500, 20_000)
    assert finding.evidence["hosts"][0] == {
        "address": "192.168.40.20",
        "label": "imaging archive",
        "share": 1.0,
    }
    assert (finding.start_ms, finding.end_ms) == (ms(600), ms(1800))
    assert not finding.evidence["fills_link"]  # 9.6 of 100 Mbit/s


@pytest.mark.parametrize(
    ("sources", "packets_s", "seconds"), [(60, 20_000, 1200), (500, 45, 1200), (500, 20_000, 50)]
)
def test_few_sources_few_packets_or_a_short_burst_are_no_flood(
    sources: int, packets_s: float, seconds: int
) -> None:
    book = office()
    flood(book, 600, 600 + seconds - 1, sources=sources, packets_s=packets_s)
    assert codes(book.case(span=(0, HOUR))) == []


def test_a_popular_server_that_answers_is_not_flooded() -> None:
    book = office()
    for number in range(3000):
        start = 600 + number * 0.3
        book.talk(start, start + 2, 900_000, 30_000, packets=800, flags=0x1B, port=40_000 + number % 20_000,
                  inside_port=443, outside=crowd(number), opened_inside=0)  # fmt: skip
    assert codes(book.case(span=(0, HOUR))) == []


def test_datagrams_that_were_asked_for_are_no_flood() -> None:
    for answered, expected in ((1e6, []), (0, ["inbound-flood"])):
        book = office()
        for number in range(300):
            book.talk(600, 1200, 60e6, answered, protocol=UDP, packets=50_000, flags=0, port=123,
                      inside_port=20_000 + number, outside=crowd(number))  # fmt: skip
        assert codes(book.case(span=(0, HOUR))) == expected
