"""Floods at their bounds: rates, sources, time, what was asked for, and what is usual there."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.findings import inbound_flood
from flowdiag.diagnoser.findings.inbound_flood import _suspicious
from flowdiag.diagnoser.signals.conversations import acknowledged, half_open
from flowdiag.site.profile import Profile, Thresholds
from tests.diagnoser.building import ICMP, SYN, UDP, Book, ms, profile
from tests.diagnoser.test_beyond import crowd

HOUR = 3600
SITE = profile(
    backup=False, thresholds=Thresholds(flood_sources=10, flood_packets_s=100, flood_half_open_s=20)
)


def burst(
    book: Book, begin: float, end: float, packets_s: float, *, sources: int = 20, shares: tuple[float, ...] = (), **more: Any
) -> Book:  # fmt: skip
    """Each source has one record from begin to end; together so many packets a second, in equal shares or these."""
    how: dict[str, Any] = {
        "protocol": UDP,
        "flags": 0,
        "port": 9999,
        "inside_port": 7000,
        "opened_inside": 0,
        **more,
    }
    parts = shares or (1 / sources,) * sources
    for number, part in enumerate(parts):
        packets = packets_s * (end - begin) * part
        book.row(begin, end, way=DOWN, octets=100 * packets, packets=packets, outside=crowd(number), **how)
    return book


def quiet() -> Book:
    book = Book()
    book.browse(0, HOUR, every=20)
    return book


def found(book: Book, site: Profile = SITE, **more: Any) -> list[Finding]:
    return inbound_flood.find(book.case(site, span=(0, HOUR), **more))


@pytest.mark.parametrize(
    ("how", "count"),
    [
        ({"packets_s": 100}, 1),
        ({"packets_s": 99}, 0),
        ({"packets_s": 100, "sources": 10}, 1),
        ({"packets_s": 100, "sources": 9}, 0),
        # Half-open connections count from twenty a second.
        ({"packets_s": 20, "protocol": 6, "flags": SYN}, 1),
        ({"packets_s": 19.9, "protocol": 6, "flags": SYN}, 0),
        ({"packets_s": 20, "port": 53}, 1),  # unasked answers of name servers
        ({"packets_s": 20, "port": 54}, 0),
        ({"packets_s": 20, "protocol": 6, "flags": 0x14}, 0),  # a reset with an ACK belongs to a connection
        ({"packets_s": 99, "protocol": 6, "flags": 0x04}, 0),  # a bare one is suspicious and opens none
        ({"packets_s": 100, "protocol": 6, "flags": 0x04}, 1),
        ({"packets_s": 500, "link": None}, 0),
    ],
)
def test_rate_and_number_of_sources_make_a_flood(how: dict[str, Any], count: int) -> None:
    assert len(found(burst(quiet(), 1200, 1800, **how))) == count


@pytest.mark.parametrize(("seconds", "count"), [(60, 1), (50, 0)])
def test_a_flood_lasts_a_minute(seconds: int, count: int) -> None:
    assert len(found(burst(quiet(), 1200, 1200 + seconds, 300))) == count


@pytest.mark.parametrize(("pause", "count"), [(60, 1), (70, 2)])
def test_a_pause_of_a_minute_does_not_end_it(pause: int, count: int) -> None:
    book = burst(quiet(), 1200, 1300, 300)
    assert len(found(burst(book, 1300 + pause, 1400 + pause, 300))) == count


def test_forty_and_twenty_seconds_with_a_pause_between_are_a_minute() -> None:
    book = burst(quiet(), 1200, 1240, 300)
    (flood,) = found(burst(book, 1260, 1280, 300))
    # 300 a second in six of its eight steps.
    assert flood.evidence["mean_packets_s"] == 225
    assert flood.evidence["peak_packets_s"] == 300
    assert (flood.start_ms, flood.end_ms) == (ms(1200), ms(1280))


@pytest.mark.parametrize(("largest", "count"), [(0.5, 1), (0.51, 0)])
def test_a_source_that_sends_most_is_no_flood(largest: float, count: int) -> None:
    rest = (1 - largest) / 16
    assert len(found(burst(quiet(), 1200, 1800, 300, shares=(largest, *[rest] * 16)))) == count


@pytest.mark.parametrize(("usual", "count"), [(2.0, 1), (2.1, 0)])
def test_unasked_answers_have_to_be_ten_times_the_usual(usual: float, count: int) -> None:
    book = burst(quiet(), 1200, 1800, 20, port=53)
    for begin, end in ((0, 1200), (1800, HOUR)):
        burst(book, begin, end, usual, port=53, sources=20)
    floods = found(book)
    assert len(floods) == count
    if floods:
        assert floods[0].evidence["usual_packets_s"] == 2.0


def test_ten_minutes_of_the_rest_tell_what_is_usual_and_less_does_not() -> None:
    for span, usual in ((1200, 0.0), (1190, None)):
        book = Book()
        book.row(0, 1, way=UP, octets=100)
        burst(book, 0, 600, 20, port=53)
        (flood,) = inbound_flood.find(book.case(SITE, span=(0, span - 1)))
        assert flood.evidence["usual_packets_s"] == usual


@pytest.mark.parametrize(
    ("packets_s", "how", "confidence"),
    [
        (400, {}, "high"),
        (399, {}, "medium"),
        (80, {"port": 53}, "high"),
        (79, {"port": 53}, "medium"),
    ],
)
def test_four_times_the_threshold_is_beyond_doubt(
    packets_s: float, how: dict[str, Any], confidence: str
) -> None:
    (flood,) = found(burst(quiet(), 1200, 1800, packets_s, **how))
    assert flood.confidence == confidence


def test_evidence_counts_sources_octets_and_their_size() -> None:
    (flood,) = found(burst(quiet(), 1200, 1800, 120, sources=30))
    evidence = flood.evidence
    assert (evidence["sources"], evidence["mean_packets_s"], evidence["peak_packets_s"]) == (30, 120, 120)
    assert (evidence["octets"], evidence["mean_packet_octets"]) == (7_200_000, 100)
    assert (evidence["protocol"], evidence["port"], evidence["from_port"]) == (UDP, 7000, None)
    assert (evidence["half_open"], evidence["fills_link"]) == (0, False)


@pytest.mark.parametrize(("main", "port"), [(0.5, 7000), (0.45, None)])
def test_a_port_is_named_where_it_has_half_of_the_packets(main: float, port: int | None) -> None:
    book = burst(quiet(), 1200, 1800, 300 * main)
    for number in range(11):
        burst(book, 1200, 1800, 300 * (1 - main) / 11, inside_port=8000 + number)
    (flood,) = found(book)
    assert flood.evidence["port"] == port


def test_without_ports_there_are_none_to_name() -> None:
    (pings,) = found(burst(quiet(), 1200, 1800, 300, protocol=ICMP, port=0, inside_port=0))
    assert (pings.evidence["protocol"], pings.evidence["port"]) == (ICMP, None)
    (unknown,) = found(burst(quiet(), 1200, 1800, 300, inside_port=-1))
    assert unknown.evidence["port"] is None


def test_only_services_that_answer_are_named_by_their_port() -> None:
    for port, named in ((53, 53), (11_211, 11_211), (443, None)):
        (flood,) = found(burst(quiet(), 1200, 1800, 300, port=port))
        assert flood.evidence["from_port"] == named


def test_what_was_asked_for_is_no_flood() -> None:
    book = burst(quiet(), 1200, 1800, 300)
    for number in range(20):
        book.row(
            1200, 1800, way=UP, octets=1000, protocol=UDP, port=9999, inside_port=7000, outside=crowd(number)
        )
    assert found(book) == []
    # An export without uploads cannot tell; there connections that never came about are left.
    one_way = burst(Book(), 1200, 1800, 300)
    assert found(one_way) == []
    assert len(found(burst(Book(), 1200, 1800, 300, protocol=6, flags=SYN))) == 1


def test_a_day_of_noise_is_no_flood_of_a_minute() -> None:
    """Over half an hour as many records and packets as a minute of a flood has, but not at once."""
    book = quiet()
    for number in range(300):
        book.row(number * 12, number * 12 + 1, way=DOWN, octets=6000, packets=60, protocol=UDP, port=9999, flags=0,
                 outside=crowd(number), inside_port=7000, opened_inside=0)  # fmt: skip
    assert found(book) == []


@pytest.mark.parametrize(("sound", "count"), [(300, 1), (301, 0)])
def test_in_a_sampled_export_half_open_connections_are_to_be_half_of_what_came(
    sound: int, count: int
) -> None:
    how: dict[str, Any] = {"protocol": 6, "sampling": 10, "inside": "192.168.40.77"}
    book = burst(quiet(), 1200, 1800, 300, flags=SYN, **how)
    burst(book, 1200, 1800, sound, flags=0x18, port=80, **how)
    assert len(found(book)) == count


def flows_of(*rows: dict[str, Any]) -> Any:
    book = Book()
    for row in rows:
        book.row(0, 1, **{"way": DOWN, "octets": 60, **row})
    return book.case(SITE, span=(0, 60)).flows


def test_what_came_in_without_a_connection_is_suspicious() -> None:
    flows = flows_of(
        {"flags": SYN}, {"flags": 0x12}, {"flags": 0}, {"flags": -1}, {"protocol": UDP}, {"way": UP, "flags": SYN},
        {"flags": SYN, "link": None}, {"flags": 0x01},
    )  # fmt: skip
    assert _suspicious(flows).tolist() == [True, False, True, True, True, False, False, True]
    assert half_open(flows).tolist() == [True, False, False, False, False, True, True, False]


def test_a_connection_that_went_on_is_acknowledged() -> None:
    flows = flows_of(
        {"flags": SYN, "port": 1}, {"flags": 0x18, "port": 1}, {"flags": SYN, "port": 2}, {"flags": 0x18, "port": 3},
        {"protocol": UDP, "port": 1}, {"flags": 0x18, "port": 2, "way": UP},
        {"flags": 0x18, "port": 2, "inside": "192.168.40.77"},
    )  # fmt: skip
    assert acknowledged(flows, np.array([0, 2, 4])).tolist() == [True, False, False]
    assert acknowledged(flows_of({"flags": SYN}), np.array([0])).tolist() == [False]


def test_what_is_usual_is_told_by_what_the_export_covers_only() -> None:
    """The grid has ten minutes before the export and ten after it."""
    book = burst(Book(), 600, 1200, 20, port=53)
    book.row(600, 601, way=UP, octets=100)
    case = book.case(SITE, span=(0, 1799))
    for first, last, usual in ((600, 1199.999, None), (0, 1199.999, 0.0), (600, 1799, 0.0)):
        covered = replace(case, coverage=replace(case.coverage, first_ms=ms(first), last_ms=ms(last)))
        (flood,) = inbound_flood.find(covered)
        assert flood.evidence["usual_packets_s"] == usual
    unknown = replace(case, coverage=replace(case.coverage, first_ms=None, last_ms=None))
    assert inbound_flood.find(unknown)[0].evidence["usual_packets_s"] == 0.0
