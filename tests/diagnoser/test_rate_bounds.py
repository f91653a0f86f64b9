"""Unusual rates, scans and services that do not answer, at their bounds."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.findings import outbound_scan, unanswered_connections
from flowdiag.diagnoser.signals.attempts import connection_attempts, failed_attempts, is_everyday, probing
from flowdiag.diagnoser.signals.scans import _most_addresses
from flowdiag.diagnoser.signals.unusual_rates import UnusualRate, unusual_rates
from flowdiag.site.profile import Thresholds
from tests.diagnoser.building import ICMP, SYN, UDP, Book, ms, profile
from tests.diagnoser.test_beyond import HOUR, crowd

FEW = profile(backup=False, thresholds=Thresholds(scan_addresses=20, unanswered_attempts=6))


def syns(book: Book, times: list[float], **more: Any) -> Book:
    """SYNs from ports of their own to places of their own that nobody answers."""
    for number, start in enumerate(times):
        how: dict[str, Any] = {
            "flags": SYN,
            "outside": crowd(number),
            "inside_port": 9000 + number,
            "packets": 1,
            **more,
        }
        book.row(start, start, way=UP, octets=60 * how["packets"], **how)
    return book


def office(every: float = 4) -> Book:
    book = Book()
    book.browse(0, HOUR, every=every)
    return book


# Unusual rates ------------------------------------------------------------------------------------------------------


def rates(book: Book, window: tuple[float, float] = (1200, 1800), span: float = HOUR) -> list[UnusualRate]:
    return unusual_rates(book.case(profile(backup=False), span=(0, span), window=window))


def half_open(book: Book, begin: int, minutes: int, a_minute: int) -> Book:
    """Connections from outside that stay half open: one record of so many packets a minute."""
    for minute in range(minutes):
        start = begin + 60 * minute
        book.row(start, start + 59, way=DOWN, octets=60 * a_minute, packets=a_minute, flags=SYN, opened_inside=0,
                 outside=crowd(minute), inside_port=443, port=1024 + minute)  # fmt: skip
    return book


@pytest.mark.parametrize(("a_minute", "found"), [(600, True), (599, False)])
def test_six_hundred_half_open_connections_a_minute_are_unusual(a_minute: int, found: bool) -> None:
    expected = [UnusualRate("half-open", 600, 0.0, ms(1260))] if found else []
    assert rates(half_open(Book(), 1260, 1, a_minute)) == expected
    sampled = half_open(Book(), 1260, 1, 6000)
    sampled.rows = [(*row[:13], 10, *row[14:]) for row in sampled.rows]
    assert rates(sampled) == []


@pytest.mark.parametrize(("usual", "found"), [(300, True), (301, False)])
def test_three_times_the_usual_is_unusual(usual: int, found: bool) -> None:
    book = half_open(Book(), 0, 60, usual)
    half_open(book, 1260, 1, 900 - usual)
    assert bool(rates(book)) == found


@pytest.mark.parametrize(("span", "usual"), [(600, 650.0), (540, None)])
def test_ten_minutes_in_all_tell_what_is_usual(span: int, usual: float | None) -> None:
    """All of the export is asked about: it is held against itself."""
    book = half_open(half_open(Book(), 0, span // 60, 650), 300, 1, 1300)
    assert rates(book, (0, span), span - 1) == [UnusualRate("half-open", 1950, usual, ms(300))]


@pytest.mark.parametrize(("count", "found"), [(20, True), (19, False)])
def test_twenty_attempts_in_vain_in_ten_minutes_are_unusual(count: int, found: bool) -> None:
    book = syns(office(60), [1260 + 20 * number for number in range(count)])
    # Ten attempts of the office in ten minutes are answered.
    assert rates(book) == ([UnusualRate("unanswered", 20, 0.0, ms(1260 - 60), tried=30)] if found else [])


def test_attempts_at_no_everyday_service_are_not_unusual() -> None:
    assert rates(syns(office(60), [1260 + 20 * number for number in range(30)], port=8291)) == []


@pytest.mark.parametrize(("answered", "found"), [(180, True), (181, False)])
def test_a_tenth_of_the_attempts_in_vain_is_unusual(answered: int, found: bool) -> None:
    book = syns(Book(), [1210 + 20 * number for number in range(20)])
    for number in range(answered):
        book.talk(1210 + 3 * number, 1211 + 3 * number, 2000, 500, inside_port=20_000 + number)
    assert bool(rates(book)) == found


@pytest.mark.parametrize(
    ("packets", "octets", "back", "found"),
    [
        (60_000, 200, 0, True),  # a thousand a second
        (59_999, 200, 0, False),
        (60_000, 201, 0, False),  # no small ones
        (61_000, 64, 500, True),  # each the other way matches two
        (61_000, 64, 501, False),
    ],
)
def test_a_thousand_small_packets_a_second_that_nothing_matches_are_unusual(
    packets: int, octets: int, back: int, found: bool
) -> None:
    book = Book()
    how: dict[str, Any] = {"protocol": UDP, "flags": 0, "port": 9999}
    book.row(1260, 1319.999, way=UP, octets=packets * octets, packets=packets, **how)
    if back:
        book.row(1260, 1319.999, way=DOWN, octets=back * 64, packets=back, **how)
    assert [(rate.what, rate.most, rate.direction) for rate in rates(book)] == (
        [("packets", 1000, UP)] if found else []
    )


def test_half_a_scan_is_unusual_from_half_of_its_addresses_on() -> None:
    for count, found in ((100, True), (99, False)):
        kinds = [
            rate.what for rate in rates(syns(Book(), [1260 + number for number in range(count)], port=8291))
        ]
        assert ("addresses" in kinds) == found


# Scans --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("times", "found"),
    [
        ([1200 + 20 * n for n in range(20)], 1),
        ([1200 + 20 * n for n in range(19)], 0),
        ([1200 + 31 * n for n in range(20)], 1),  # 589 s
        ([70 * n for n in range(50)], 1),  # fifty in an hour
        ([71 * n for n in range(49)], 0),
    ],
)
def test_a_scan_tries_so_many_in_ten_minutes_or_two_and_a_half_times_as_many_in_an_hour(
    times: list[float], found: int
) -> None:
    case = syns(office(), times, port=8291, inside="192.168.40.66").case(FEW, span=(0, HOUR))
    assert len(outbound_scan.find(case)) == found


def test_the_most_addresses_in_a_slot_are_found_over_its_edge() -> None:
    book = syns(Book(), [0, 299, 300, 599, 600, 899], port=8291)
    flows = book.case(FEW, span=(0, HOUR)).flows
    assert _most_addresses(flows, np.arange(6), 600_000) == 4
    same = syns(Book(), [0, 1, 2], outside="198.18.0.1").case(FEW, span=(0, HOUR)).flows
    assert _most_addresses(same, np.arange(3), 600_000) == 1


@pytest.mark.parametrize(("answering", "found"), [(20, 1), (21, 0)])
def test_half_of_the_addresses_asked_may_answer(answering: int, found: int) -> None:
    book = syns(Book(), [1200 + 10 * n for n in range(20)], port=8291, inside="192.168.40.66")
    for number in range(answering):
        book.talk(1201 + number, 1202 + number, 2000, 500, port=8291, inside="192.168.40.66",
                  outside=f"203.0.113.{1 + number}", inside_port=20_000 + number)  # fmt: skip
    assert len(outbound_scan.find(book.case(FEW, span=(0, HOUR)))) == found


@pytest.mark.parametrize(("each", "found"), [(3, 1), (4, 0)])
def test_who_tries_the_same_addresses_again_and_again_does_not_scan(each: int, found: int) -> None:
    book = office()
    for turn in range(each):
        for number in range(20):
            start = 1200 + 20 * number + turn
            book.row(start, start, way=UP, octets=60, packets=1, flags=SYN, outside=crowd(number), port=8291,
                     inside="192.168.40.66", inside_port=9000 + 100 * turn + number)  # fmt: skip
    assert len(outbound_scan.find(book.case(FEW, span=(0, HOUR)))) == found


def test_a_port_with_a_tenth_of_the_attempts_on_the_foremost_is_named_with_it() -> None:
    book = syns(office(), [1200 + 10 * n for n in range(30)], port=8291, inside="192.168.40.66")
    for port, tries in ((23, 3), (2323, 2)):
        for number in range(tries):
            book.row(1300 + number, 1300 + number, way=UP, octets=60, packets=1, flags=SYN, port=port,
                     inside="192.168.40.66", outside=crowd(200 + number), inside_port=port + number)  # fmt: skip
    (finding,) = outbound_scan.find(book.case(FEW, span=(0, HOUR)))
    assert (finding.evidence["ports"], finding.evidence["addresses_tried"]) == ([23, 8291], 33)
    assert (finding.evidence["attempts"], finding.evidence["octets"]) == (33, 33 * 60)


@pytest.mark.parametrize(
    ("more", "probes"),
    [
        ({"flags": SYN}, True),
        ({"flags": SYN, "opened_inside": 0}, False),
        ({"flags": SYN, "way": DOWN}, False),
        ({"flags": 0x12}, False),
        ({"protocol": UDP, "packets": 12}, True),
        ({"protocol": UDP, "packets": 13}, False),
        ({"protocol": UDP, "packets": 120, "sampling": 10}, True),
        ({"protocol": ICMP, "port": 2048, "packets": 12, "opened_inside": -1}, True),
        ({"protocol": ICMP, "port": 2048, "packets": 13}, False),
        ({"protocol": ICMP, "port": 0}, False),
        ({"protocol": 58, "port": 128 << 8}, True),
        ({"protocol": 58, "port": 2048}, False),
        ({"protocol": ICMP, "port": 128 << 8}, False),
    ],
)
def test_what_only_touches_an_address_probes_it(more: dict[str, Any], probes: bool) -> None:
    book = Book()
    book.row(0, 1, **{"way": UP, "octets": 60, "packets": 1, **more})
    flows = book.case(span=(0, 60)).flows
    assert len(probing(flows, np.ones(1, np.bool_))) == probes
    assert len(probing(flows, np.zeros(1, np.bool_))) == 0


# What does not answer -----------------------------------------------------------------------------------------------


def dead(book: Book, times: list[float], hosts: int = 2, **more: Any) -> Book:
    for number, start in enumerate(times):
        how: dict[str, Any] = {"flags": SYN, "outside": "203.0.113.200", "port": 443, **more}
        book.row(start, start, way=UP, octets=60, packets=1, inside=f"192.168.40.{60 + number % hosts}",
                 inside_port=9000 + number, **how)  # fmt: skip
    return book


def places(book: Book) -> list[tuple[float, float]]:
    """[start, end] of each finding, in seconds; something else is answered, so that answers are seen."""
    book.talk(0, 1, 2000, 500)
    found = unanswered_connections.find(book.case(FEW, span=(0, HOUR)))
    return [(((one.start_ms or 0) - ms(0)) / 1000, ((one.end_ms or 0) - ms(0)) / 1000) for one in found]


@pytest.mark.parametrize(
    ("times", "found"),
    [
        ([1200, 1201, 1260, 1261, 1320, 1321], [(1200, 1321)]),  # six in three minutes
        ([1200, 1201, 1260, 1261, 1320], []),
        ([1200, 1201, 1202, 1260, 1261, 1262], []),  # in two
        ([1200, 1201, 1260, 1620, 1621, 1680], [(1200, 1680)]),  # five minutes between do not end it
        ([1200, 1201, 1260, 1680, 1681, 1740], []),
    ],
)
def test_six_attempts_in_vain_over_three_minutes_make_a_finding(
    times: list[float], found: list[tuple[float, float]]
) -> None:
    assert places(dead(Book(), times)) == found


@pytest.mark.parametrize(("answered", "found"), [(1, 1), (2, 0)])
def test_half_of_the_attempts_of_each_minute_are_to_fail(answered: int, found: int) -> None:
    book = dead(Book(), [1200, 1260, 1320, 1380, 1440, 1500])
    for minute in range(20, 26):
        for number in range(answered):
            book.talk(minute * 60 + number, minute * 60 + number + 1, 2000, 500, outside="203.0.113.200",
                      inside_port=20_000 + minute * 10 + number)  # fmt: skip
    assert len(places(book)) == found


@pytest.mark.parametrize(("hosts", "others", "found"), [(2, 114, 1), (2, 115, 0), (1, 24, 1), (1, 25, 0)])
def test_what_fails_is_to_be_a_twentieth_of_all_and_of_one_host_a_fifth(
    hosts: int, others: int, found: int
) -> None:
    book = dead(Book(), [1200, 1201, 1260, 1261, 1320, 1321], hosts)
    for number in range(others):
        book.talk(1200 + number, 1201 + number, 2000, 500, inside_port=20_000 + number)
    assert len(places(book)) == found


@pytest.mark.parametrize(("begin", "found"), [(300, 1), (240, 0)])
def test_what_fails_for_one_host_since_the_export_began_is_its_habit(begin: int, found: int) -> None:
    book = dead(Book(), [begin + at for at in (0, 1, 60, 61, 120, 121)], 1)
    for number in range(24):
        book.talk(begin + number, begin + number + 1, 2000, 500, inside_port=20_000 + number)
    assert len(places(book)) == found


def test_a_service_of_many_places_is_one_finding_where_it_is_an_everyday_one() -> None:
    for port, named in ((8080, None), (8081, 2)):
        book = Book()
        for place in (1, 2):
            dead(
                book,
                [1200 + at + place for at in (0, 1, 60, 61, 120, 121)],
                port=port,
                outside=f"203.0.113.{place}",
            )
        book.talk(0, 1, 2000, 500)
        found = unanswered_connections.find(book.case(FEW, span=(0, HOUR)))
        assert len(found) == (named or 1)
        assert found[0].evidence["unanswered"] == (6 if named else 12)


@pytest.mark.parametrize(
    ("port", "everyday"),
    [
        (0, True),
        (1023, True),
        (1024, False),
        (-1, False),
        (8080, True),
        (8443, True),
        (5222, True),
        (3306, True),
        (9999, False),
    ],
)
def test_everyday_services_are_well_known_or_listed(port: int, everyday: bool) -> None:
    assert is_everyday(port) == everyday


def test_the_confidence_is_high_from_four_fifths_in_vain_on() -> None:
    for answered, confidence in ((1, "high"), (2, "medium")):
        book = dead(Book(), [1200, 1201, 1260, 1261])
        dead(book, [1320], port=443)
        book.rows[-1] = (*book.rows[-1][:8], 9999, *book.rows[-1][9:])
        dead(book, [1321, 1322, 1323], port=443, inside="192.168.40.70") if False else None
        for number in range(answered):
            book.talk(
                1205 + number, 1206 + number, 2000, 500, outside="203.0.113.200", inside_port=20_000 + number
            )
        site = profile(backup=False, thresholds=Thresholds(unanswered_attempts=4))
        found = unanswered_connections.find(book.case(site, span=(0, HOUR)))
        # Five in vain of six, and of seven.
        assert [one.confidence for one in found] == [confidence]


# Attempts -----------------------------------------------------------------------------------------------------------


def test_attempts_within_a_minute_of_a_failover_are_the_lines() -> None:
    book = Book()
    book.browse(0, 1200)
    book.browse(1204, 2400, link="lte")
    book.browse(2400, HOUR)
    marks = [1138.9, 1139, 1264, 1264.1]  # the gap begins at 1199, the stay at 1204
    syns(book, marks)
    case = book.case(span=(0, HOUR))
    tried = connection_attempts(case)
    ports = case.flows.inside_port[tried]
    starts = {
        round((case.flows.start_ms[row] - ms(0)) / 1000, 1) for row in tried[(ports >= 9000) & (ports < 9004)]
    }
    assert starts == {1138.9, 1264.1}


def test_quic_in_vain_counts_where_nothing_else_answers_there() -> None:
    def failed(flags: int, **answer: Any) -> int:
        book = Book()
        book.row(0, 1, way=UP, octets=1200, packets=1, protocol=UDP, flags=0, outside="203.0.113.200")
        book.row(
            5,
            6,
            way=DOWN,
            octets=100,
            flags=flags,
            **{"outside": "203.0.113.200", "inside_port": 7, **answer},
        )
        return len(failed_attempts(book.case(span=(0, HOUR))))

    assert failed(0x12) == failed(-1) == 0
    assert failed(0x04) == 1  # a refusal without an ACK
    assert failed(0x12, port=80) == failed(0x12, outside="203.0.113.201") == 1


@pytest.mark.parametrize(
    "port", [1194, 1433, 1645, 1812, 1813, 3306, 3389, 3478, 4500, 5060, 5061, 5222, 5432, 8080, 8443, 51820]
)
def test_registered_ports_that_clients_use_every_day(port: int) -> None:
    """OpenVPN, databases, RADIUS, remote desktop, STUN, IPsec past NAT, SIP, XMPP, web, WireGuard (IANA)."""
    assert [near for near in (port - 1, port, port + 1) if is_everyday(near)] == {
        1812: [1812, 1813], 1813: [1812, 1813], 5060: [5060, 5061], 5061: [5060, 5061]
    }.get(port, [port])  # fmt: skip


def test_what_begins_as_the_time_asked_about_ends_is_no_part_of_it() -> None:
    times = [1260.0 + 5 * number for number in range(99)]
    for last, found in ((1799.999, True), (1800.0, False)):
        kinds = [rate.what for rate in rates(syns(Book(), [*times, last], port=8291))]
        assert ("addresses" in kinds) == found
