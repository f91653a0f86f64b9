"""realtime-contention. RFC 3551: G.711 at 20 ms is 50 packets a second of 200 IP octets, 80 kbit/s a direction;
RFC 4594: telephony is EF (46), conferencing AF41 (34).
"""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

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


def found_with(**more: object) -> bool:
    return bool(realtime_contention.find(full_upload(**more).case(profile(backup=False))))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("how", "call"),
    [
        ({"packets_s": 15}, True),
        ({"packets_s": 14.9}, False),
        ({"packets_s": 1000}, True),
        ({"packets_s": 1001}, False),
        ({"packets_s": 5, "port": 5060}, True),  # what is known as a call may be slower
        ({"packets_s": 4.9, "port": 5060}, False),
        ({"octets": 60}, True),
        ({"octets": 59}, False),
        ({"octets": 1300}, True),
        ({"octets": 1301}, False),
    ],
)
def test_a_call_has_from_15_to_1000_packets_a_second_of_60_to_1300_octets(
    how: dict[str, float], call: bool
) -> None:
    assert found_with(**how) == call


@pytest.mark.parametrize(
    "port",
    [53, 67, 68, 69, 80, 123, 137, 138, 161, 162, 443, 500, 514, 1194, 1701, 1812, 1813, 2049, 2055, 4500, 4739, 4789,
     5353, 6343, 9995, 9996, 51820],
)  # fmt: skip
def test_what_is_steady_by_nature_is_no_call_and_its_neighbours_are(port: int) -> None:
    """Names, DHCP, TFTP, web, time, NetBIOS, SNMP, IKE, logs, tunnels, RADIUS, files, flow exports (IANA)."""
    assert not found_with(port=port)
    steady = {67, 68, 69, 137, 138, 161, 162, 1812, 1813, 9995, 9996}
    assert {other for other in (port - 1, port + 1) if not found_with(port=other)} <= steady


@pytest.mark.parametrize("port", [3478, 3479, 3480, 3481, 5004, 5060, 5061, 5349])
def test_ports_of_calls(port: int) -> None:
    """RFC 8489 and its neighbours, RTP, SIP (RFC 3261)."""
    sure = {3478, 3479, 3480, 3481, 5060, 5061}
    for at in (port, port - 1, port + 1):
        (finding,) = realtime_contention.find(full_upload(port=at).case(profile(backup=False)))
        assert finding.confidence == ("high" if at == port or at in sure else "medium")


@pytest.mark.parametrize(("lasts", "call"), [(45, True), (44, False)])
def test_a_call_lasts_three_quarters_of_a_minute(lasts: int, call: bool) -> None:
    book = Book()
    for minute in range(10):
        book.row(minute * 60, minute * 60 + 60, way=UP, octets=19 * MBPS_MINUTE)
    for way in (UP, DOWN):
        book.row(100, 100 + lasts, way=way, octets=lasts * 10_000, packets=lasts * 50, protocol=UDP, port=17_000,
                 inside_port=16_500, outside="203.0.113.77")  # fmt: skip
    found = realtime_contention.find(book.case(profile(backup=False)))
    assert bool(found) == call
    if call:
        assert (found[0].end_ms or 0) - (found[0].start_ms or 0) == 45_000
        assert found[0].evidence["mean_mbps"] == 0.08


@pytest.mark.parametrize(("dscp", "priority"), [
    (46, True), (44, True), (40, True), (34, True), (36, True), (38, True), (32, True), (48, True),
    (45, False), (47, False), (43, False), (41, False), (39, False), (33, False), (35, False), (37, False), (31, False),
    (49, False),
])  # fmt: skip
def test_marks_of_priority(dscp: int, priority: bool) -> None:
    """RFC 4594 2.3: EF 46, CS5 40, AF41 to AF43 34, 36 and 38, CS4 32, CS6 48; RFC 5865: VOICE-ADMIT 44."""
    found = realtime_contention.find(marked(full_upload().case(profile(backup=False)), dscp))
    assert bool(found) != priority


@pytest.mark.parametrize(("of_five", "share", "told"), [(1, 0.2, True), (2, 0.4, True), (3, None, False)])
def test_where_less_than_half_is_marked_the_others_are_told(
    of_five: int, share: float | None, told: bool
) -> None:
    book = full_upload()
    first = book.rows[1:3]
    for place in range(4):
        for row in first:
            for minute in range(10):
                moved = (
                    row[0] + minute * 60_000,
                    row[1] + minute * 60_000,
                    *row[2:8],
                    16_501 + place,
                    *row[9:],
                )
                book.rows.append(moved)
    case = book.case(profile(backup=False))
    calls = case.flows.protocol == UDP
    marks = np.where(calls & (case.flows.inside_port < 16_500 + of_five), EF, 0).astype(np.int8)
    found = realtime_contention.find(replace(case, flows=replace(case.flows, dscp=marks)))
    assert bool(found) == told
    if told:
        assert (found[0].evidence["calls"], found[0].evidence["marked_share"]) == (5 - of_five, share)
        # 80 kbit/s each.
        assert found[0].evidence["mean_mbps"] == pytest.approx(0.08 * (5 - of_five))
