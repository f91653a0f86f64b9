"""realtime-contention. RFC 3551: G.711 at 20 ms is 50 packets a second of 200 IP octets, 80 kbit/s a direction;
RFC 4594: telephony is EF (46), conferencing AF41 (34).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.findings import realtime_contention
from tests.diagnoser.building import UDP, Book, profile

MBPS_MINUTE = 7_500_000
EF, AF41, BEST_EFFORT, UNKNOWN = 46, 34, 0, -1


def full_upload(*, packets_s: float = 50, octets: int = 200, port: int = 17_000, back: bool = True) -> Book:
    """Ten minutes of upload at 19 of 20 Mbit/s, and a stream of UDP beside it, one record a minute."""
    book = Book()
    for minute in range(10):
        start, end = minute * 60, minute * 60 + 60
        book.row(start, end, way=UP, octets=19 * MBPS_MINUTE)
        for way in (UP, DOWN) if back else (UP,):
            book.row(
                start, end, way=way, octets=60 * packets_s * octets, packets=60 * packets_s, protocol=UDP,
                inside="192.168.40.31", outside="203.0.113.77", port=port, inside_port=16_500,
            )  # fmt: skip
    return book


def marked(case: Case, dscp: int) -> Case:
    marks = np.where(case.flows.protocol == UDP, dscp, 0).astype(np.int8)
    return replace(case, flows=replace(case.flows, dscp=marks))


def test_an_unmarked_call_on_a_full_upload_is_found() -> None:
    found = realtime_contention.find(full_upload().case(profile(backup=False)))
    assert [(f.code, f.severity, f.direction) for f in found] == [("realtime-contention", "warning", "up")]
    assert found[0].evidence["calls"] == 1
    assert found[0].evidence["mean_mbps"] == pytest.approx(0.080)
    assert found[0].evidence["hosts"][0]["address"] == "192.168.40.31"
    assert found[0].evidence["marked_share"] == 0.0


@pytest.mark.parametrize("dscp", [EF, AF41])
def test_a_marked_call_is_not(dscp: int) -> None:
    assert realtime_contention.find(marked(full_upload().case(profile(backup=False)), dscp)) == []


def test_where_marks_are_not_exported_it_is_said_with_low_confidence() -> None:
    found = realtime_contention.find(marked(full_upload().case(profile(backup=False)), UNKNOWN))
    assert [f.confidence for f in found] == ["low"]
    assert "not known" in found[0].summary


def test_a_call_on_a_link_with_room_is_not() -> None:
    book = full_upload()
    book.rows = [row for row in book.rows if row[10] == UDP]
    assert realtime_contention.find(book.case(profile(backup=False))) == []


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"back": False}, "one way only: a stream or a flood"),
        ({"packets_s": 5}, "too few packets for a call at an unknown port"),
        ({"octets": 1400}, "full packets: bulk data"),
        ({"octets": 45}, "nothing but acknowledgements"),
        ({"port": 1194}, "a tunnel (IANA port number)"),
        ({"port": 443}, "QUIC"),
    ],
)
def test_what_only_resembles_a_call_is_not(more: dict[str, int], why: str) -> None:
    case = full_upload(**more).case(profile(backup=False))  # type: ignore[arg-type]
    assert realtime_contention.find(case) == [], why


def test_a_port_of_calls_makes_it_certain() -> None:
    by_shape = realtime_contention.find(full_upload().case(profile(backup=False)))
    by_port = realtime_contention.find(full_upload(port=3478).case(profile(backup=False)))
    assert [f.confidence for f in by_shape] == ["medium"]
    assert [f.confidence for f in by_port] == ["high"]
