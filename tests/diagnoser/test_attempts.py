"""An attempt is one whatever its retransmissions; requests by datagrams that nobody answers are attempts too."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from flowdiag.aggregator.site_flows import UP
from flowdiag.diagnoser.findings import outbound_scan, unanswered_connections
from flowdiag.diagnoser.signals.attempts import bare_syn, begins_attempt, failed_attempts, is_request
from tests.diagnoser.building import ICMP, SYN, UDP, Book
from tests.diagnoser.test_beyond import HOUR, codes, crowd, office


def again(times: tuple[float, ...], **more: Any) -> list[bool]:
    """Which rows of one conversation begin an attempt."""
    book = Book()
    for start in times:
        book.row(start, start, way=UP, octets=60, packets=1, **{"flags": SYN, **more})
    flows = book.case(span=(0, HOUR)).flows
    return begins_attempt(flows, np.arange(len(flows))).tolist()


def test_syns_from_one_port_within_three_minutes_are_one_attempt() -> None:
    """RFC 1122 4.2.3.5: a SYN is sent again for three minutes at least."""
    assert again((0, 31, 63)) == [True, False, False]
    assert again((0, 200)) == [True, True]
    assert again((63, 0, 31)) == [False, True, False]  # records come in any order


def test_what_is_sent_for_longer_than_an_attempt_lasts_is_the_next_one() -> None:
    """Each 50 s from 0 to 400 s: new ones at 200 s, the first past 180, and at 400 s, the first past 360."""
    begun = again(tuple(range(0, 401, 50)))
    assert [50 * place for place, new in enumerate(begun) if new] == [0, 200, 400]


def test_datagrams_and_pings_are_asked_again_for_a_minute() -> None:
    for more in ({"protocol": UDP, "flags": 0, "port": 5060}, {"protocol": ICMP, "flags": 0, "port": 2048}):
        assert again((0, 20, 59), **more) == [True, False, False]
        assert again((0, 61), **more) == [True, True]


def test_other_ports_are_other_attempts() -> None:
    book = Book()
    for port in (50_000, 50_001, 50_000):
        book.row(0, 0, way=UP, octets=60, packets=1, flags=SYN, inside_port=port)
    flows = book.case(span=(0, HOUR)).flows
    assert int(begins_attempt(flows, np.arange(3)).sum()) == 2


def retried(book: Book, count: int, *, outside: str | None = None) -> None:
    """SYNs to 0, 31 and 63 s from one port each, of which the first record has five."""
    for number in range(count):
        for later, packets in ((0, 5), (31, 1), (63, 1)):
            start = 600 + number * 0.5 + later
            book.row(start, start + (15 if packets == 5 else 0), way=UP, octets=60 * packets, packets=packets,
                     flags=SYN, port=445 if outside is None else 443, inside_port=10_000 + number,
                     inside="192.168.40.66", outside=outside or crowd(number))  # fmt: skip


def test_a_scan_is_found_through_its_retransmissions_and_counted_once() -> None:
    book = office()
    retried(book, 400)
    (finding,) = outbound_scan.find(book.case(span=(0, HOUR)))
    assert (finding.evidence["addresses_tried"], finding.evidence["attempts"]) == (400, 400)
    assert finding.evidence["protocols"] == ["TCP"]
    assert "on port 445 between" in finding.summary


def test_ten_syns_in_a_record_are_one_attempt_with_and_without_flags() -> None:
    for flags in (SYN, -1):
        book = office()
        for number in range(300):
            book.row(600 + number, 609 + number, way=UP, octets=600, packets=10, flags=flags, port=445,
                     inside="192.168.40.66", inside_port=10_000 + number, outside=crowd(number))  # fmt: skip
        (finding,) = outbound_scan.find(book.case(span=(0, HOUR)))
        assert finding.evidence["attempts"] == 300


def test_a_sweep_by_ping_says_so() -> None:
    book = office()
    for number in range(300):
        book.row(600 + number, 603 + number, way=UP, octets=336, packets=4, flags=0, port=2048, protocol=ICMP,
                 inside="192.168.40.66", inside_port=0, outside=crowd(number))  # fmt: skip
    (finding,) = outbound_scan.find(book.case(span=(0, HOUR)))
    assert (finding.evidence["ports"], finding.evidence["protocols"]) == ([], ["ICMP"])
    assert "addresses by ping between" in finding.summary


def test_failures_are_counted_by_attempt_not_by_record() -> None:
    book = office()
    retried(book, 40, outside="203.0.113.200")
    assert len(failed_attempts(book.case(span=(0, HOUR)))) == 40


def asked(book: Book, port: int, *, answered_by_tcp: bool = False, packets: int = 3) -> None:
    """240 requests of five hosts in forty minutes, none answered."""
    for number, start in enumerate(range(600, 3000, 10)):
        host = f"192.168.40.{40 + number % 5}"
        book.row(start, start + 6, way=UP, octets=500 * packets, packets=packets, protocol=UDP, flags=0, port=port,
                 inside=host, inside_port=9000 + number, outside="203.0.113.200")  # fmt: skip
        if answered_by_tcp:
            book.talk(start + 1, start + 2, 20_000, 1000, inside=host, inside_port=19_000 + number,
                      outside="203.0.113.200")  # fmt: skip


def test_time_calls_tunnels_and_quic_that_nobody_answers_are_found() -> None:
    for port in (123, 443, 500, 1194, 4500, 5060, 51820):
        book = office()
        asked(book, port)
        (finding,) = unanswered_connections.find(book.case(span=(0, HOUR)))
        assert (finding.evidence["protocol"], finding.evidence["port"]) == (UDP, port)
        assert (finding.evidence["unanswered"], finding.evidence["unanswered_share"]) == (240, 1.0)
        assert f"240 requests to 203.0.113.200 on web (UDP port {port}) from 5 devices" in finding.summary


def test_logs_and_telemetry_want_no_answers() -> None:
    for port in (514, 162, 2055):
        book = office()
        asked(book, port)
        assert codes(book.case(span=(0, HOUR))) == []


def test_quic_in_vain_where_the_same_place_answers_over_tcp_is_no_failure() -> None:
    book = office()
    asked(book, 443, answered_by_tcp=True)
    assert codes(book.case(span=(0, HOUR))) == []


def bare(**more: Any) -> bool:
    """Whether a TCP record looks like SYNs only."""
    book = Book()
    book.row(0, 0, way=UP, **{"octets": 60, "packets": 1, "flags": SYN, **more})
    return bool(bare_syn(book.case(span=(0, HOUR)).flows)[0])


def test_flags_tell_a_syn_whatever_it_carries() -> None:
    """Data may come in a SYN (RFC 9293 3.4; RFC 7413), with as much in it as a packet holds."""
    assert bare(octets=1460, packets=1)
    assert bare(octets=140_000, packets=100)
    assert bare(flags=SYN | 0x04)  # and was given up
    assert not bare(flags=SYN | 0x10)  # an ACK: it was accepted
    assert not bare(flags=0x10)
    assert not bare(flags=0)  # a segment without any is a probe, and opens nothing
    assert not bare(protocol=UDP)


def test_without_flags_few_and_small_packets_tell_it() -> None:
    """A SYN has 80 octets at most, and twelve of them are the most that one attempt sends."""
    assert bare(flags=-1, octets=240, packets=3)
    assert not bare(flags=-1, octets=241, packets=3)
    assert bare(flags=-1, octets=12 * 60, packets=12)
    assert not bare(flags=-1, octets=13 * 60, packets=13)
    assert bare(flags=-1, octets=120 * 60, packets=120, sampling=10)
    assert not bare(flags=-1, octets=121 * 60, packets=121, sampling=10)
    assert not bare(flags=-1, octets=60, packets=1, protocol=UDP)


@pytest.mark.parametrize(
    "port", [53, 88, 123, 161, 389, 443, 500, 1194, 1645, 1812, 1813, 3478, 4500, 5060, 51820]
)
def test_services_whose_every_request_wants_an_answer(port: int) -> None:
    """Names, Kerberos, time, SNMP, CLDAP, QUIC, IKE and IPsec past NAT, OpenVPN, RADIUS, STUN, SIP, WireGuard: by the
    registry of IANA."""
    book = Book()
    for place in (port, port - 1, port + 1):
        book.row(0, 0, way=UP, octets=80, packets=1, protocol=UDP, flags=0, port=place)
    book.row(0, 0, way=UP, octets=80, packets=1, port=port)
    asked_for = is_request(book.case(span=(0, HOUR)).flows).tolist()
    assert asked_for[0]
    assert not asked_for[3]
    assert asked_for[1:3] == [port == 1813, port == 1812]


def test_a_port_that_is_not_told_is_no_request() -> None:
    book = Book()
    book.row(0, 0, way=UP, octets=80, packets=1, protocol=UDP, flags=0, port=-1)
    assert not is_request(book.case(span=(0, HOUR)).flows).any()
