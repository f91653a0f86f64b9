"""Addresses and ports from whichever elements carry them; events that are no flows."""

from __future__ import annotations

import struct

import pytest

from flowdiag.collector.decode.normalise import EVENTS, NO_FLOWS
from tests.collector.decode.wire import FieldPair, a_set, decode, ipfix, netflow9, template, v4, v4_octets

SIX = bytes.fromhex("20010db8") + bytes(11) + b"\1"
OTHER_SIX = bytes.fromhex("20010db8") + bytes(11) + b"\2"
LOCAL_SIX = bytes.fromhex("fd000db8") + bytes(11) + b"\3"
OUTSIDE, PUBLIC, INSIDE = (v4_octets(text) for text in ("198.51.100.1", "203.0.113.5", "192.168.1.20"))


def row_of(fields: tuple[FieldPair, ...], record: bytes) -> dict[str, object]:
    (row,) = decode(
        ipfix(a_set(2, template(256, (*fields, (1, 4)))), a_set(256, record + b"\0\0\0\x64"))
    ).rows
    return row


def ends(fields: tuple[FieldPair, ...], record: bytes) -> tuple[object, object]:
    row = row_of(fields, record)
    return row["src_address"], row["dst_address"]


BOTH: tuple[FieldPair, ...] = ((60, 1), (8, 4), (12, 4), (27, 16), (28, 16))
FAMILIES = {
    "IPv4": (((8, 4), (12, 4)), OUTSIDE + PUBLIC, (v4("198.51.100.1"), v4("203.0.113.5"))),
    "IPv6": (((27, 16), (28, 16)), SIX + OTHER_SIX, (SIX, OTHER_SIX)),
    "both, version 4": (BOTH, b"\4" + OUTSIDE + PUBLIC + bytes(32), (v4("198.51.100.1"), v4("203.0.113.5"))),
    "both, version 6": (BOTH, b"\6" + bytes(8) + SIX + OTHER_SIX, (SIX, OTHER_SIX)),
    "both, no version, IPv4 zero": (BOTH, bytes(9) + SIX + OTHER_SIX, (SIX, OTHER_SIX)),
    "both, no version, IPv6 zero": (BOTH, b"\0" + OUTSIDE + PUBLIC + bytes(32), (v4("198.51.100.1"), v4("203.0.113.5"))),
    "prefixes, where there are no addresses": (((44, 4), (45, 4)), OUTSIDE + PUBLIC, (v4("198.51.100.1"), v4("203.0.113.5"))),
    "addresses before prefixes": (
        ((44, 4), (45, 4), (8, 4), (12, 4)),
        bytes(8) + OUTSIDE + PUBLIC,
        (v4("198.51.100.1"), v4("203.0.113.5")),
    ),
    "none": (((256, 2),), b"\x08\x06", (None, None)),
}  # fmt: skip


@pytest.mark.parametrize(("fields", "record", "expected"), FAMILIES.values(), ids=FAMILIES)
def test_addresses(fields: tuple[FieldPair, ...], record: bytes, expected: tuple[object, object]) -> None:
    assert ends(fields, record) == expected


def test_the_outer_header_counts_where_an_address_stands_twice() -> None:
    # RFC 7011 8: outer first, then inner
    assert ends(((8, 4), (12, 4), (8, 4), (12, 4)), OUTSIDE + PUBLIC + INSIDE * 2) == (
        v4("198.51.100.1"),
        v4("203.0.113.5"),
    )


NAT: tuple[FieldPair, ...] = ((8, 4), (12, 4), (7, 2), (11, 2), (226, 4), (228, 2))


def test_the_inside_host_of_a_translation_is_the_destination() -> None:
    # RFC 8158 4.2: inbound the inside host is the address after translation.
    row = row_of(NAT, OUTSIDE + PUBLIC + struct.pack("!HH", 443, 60_001) + INSIDE + struct.pack("!H", 50_001))
    assert (row["dst_address"], row["dst_port"]) == (v4("192.168.1.20"), 50_001)


def test_outbound_the_inside_host_is_the_source_already() -> None:
    fields = ((8, 4), (12, 4), (7, 2), (11, 2), (225, 4), (227, 2))
    row = row_of(
        fields, INSIDE + OUTSIDE + struct.pack("!HH", 50_001, 443) + PUBLIC + struct.pack("!H", 60_001)
    )
    assert (row["src_address"], row["src_port"]) == (v4("192.168.1.20"), 50_001)


def test_a_translation_among_public_addresses_changes_nothing() -> None:
    row = row_of(
        NAT,
        OUTSIDE + PUBLIC + struct.pack("!HH", 443, 80) + v4_octets("203.0.113.99") + struct.pack("!H", 8080),
    )
    assert (row["dst_address"], row["dst_port"]) == (v4("203.0.113.5"), 80)


def test_a_translation_to_a_unique_local_address() -> None:
    assert ends(((27, 16), (28, 16), (282, 16)), SIX + OTHER_SIX + LOCAL_SIX) == (SIX, LOCAL_SIX)


PORTS: dict[str, tuple[tuple[FieldPair, ...], bytes, tuple[object, object]]] = {
    "7 and 11": (((4, 1), (7, 2), (11, 2)), struct.pack("!BHH", 6, 1234, 443), (1234, 443)),
    "those of TCP": (((4, 1), (182, 2), (183, 2)), struct.pack("!BHH", 6, 1234, 443), (1234, 443)),
    "those of UDP": (((4, 1), (180, 2), (181, 2)), struct.pack("!BHH", 17, 1234, 53), (1234, 53)),
    "TCP of both": (((4, 1), (180, 2), (181, 2), (182, 2), (183, 2)), struct.pack("!BHHHH", 6, 0, 0, 1234, 443), (1234, 443)),
    "UDP of both": (((4, 1), (180, 2), (181, 2), (182, 2), (183, 2)), struct.pack("!BHHHH", 17, 9, 53, 0, 0), (9, 53)),
    "none": (((4, 1),), b"\6", (None, None)),
    "ICMP, 32": (((4, 1), (7, 2), (11, 2), (32, 2)), struct.pack("!BHHH", 1, 5, 6, 8 << 8), (0, 2048)),
    "ICMP in the destination port": (((4, 1), (7, 2), (11, 2)), struct.pack("!BHH", 1, 77, 769), (0, 769)),
    "ICMP, 176 and 177": (((4, 1), (176, 1), (177, 1)), struct.pack("!BBB", 1, 3, 4), (0, 772)),
    "ICMPv6, 139": (((4, 1), (139, 2)), struct.pack("!BH", 58, 128 << 8), (0, 32_768)),
    "ICMPv6, 178 and 179": (((4, 1), (178, 1), (179, 1)), struct.pack("!BBB", 58, 2, 0), (0, 512)),
    "no ICMP, though 32 is there": (((4, 1), (7, 2), (11, 2), (32, 2)), struct.pack("!BHHH", 6, 5, 6, 0), (5, 6)),
}  # fmt: skip


@pytest.mark.parametrize(("fields", "octets", "expected"), PORTS.values(), ids=PORTS)
def test_ports(fields: tuple[FieldPair, ...], octets: bytes, expected: tuple[object, object]) -> None:
    row = row_of(((8, 4), (12, 4), *fields), OUTSIDE + PUBLIC + octets)
    assert (row["src_port"], row["dst_port"]) == expected


def test_ports_of_icmp_are_known_where_those_of_others_are_not() -> None:
    fields = a_set(2, template(256, ((8, 4), (4, 1), (32, 2), (1, 4))))
    data = a_set(256, *(OUTSIDE + struct.pack("!BHI", protocol, 769, 1) for protocol in (1, 6)))
    assert decode(ipfix(fields, data)).column("dst_port") == [769, None]


MARKS: dict[str, tuple[FieldPair, bytes, str, object]] = {
    "flags in one octet": ((6, 1), b"\xff", "tcp_flags", 0xFF),
    "flags in two: the top four bits are the header length (RFC 7125 3)": (
        (6, 2),
        b"\x51\x12",
        "tcp_flags",
        0x112,
    ),
    "class of service": ((5, 1), b"\xb8", "dscp", 46),
    "code point alone": ((195, 1), b"\x2e", "dscp", 46),
    "interface of two octets": ((10, 2), b"\0\7", "ingress_interface", 7),
    "interface of four octets": ((14, 4), b"\0\1\0\7", "egress_interface", 65_543),
    "interface of eight octets": ((10, 8), b"\0" * 7 + b"\7", "ingress_interface", 7),
    "interface beyond 32 bits": ((10, 8), b"\1" + b"\0" * 7, "ingress_interface", None),
    "physical interface": ((252, 4), b"\0\0\0\7", "ingress_interface", 7),
    "direction": ((61, 1), b"\1", "direction", 1),
    "end reason": ((136, 1), b"\2", "end_reason", 2),
}


@pytest.mark.parametrize(("field", "octets", "column", "expected"), MARKS.values(), ids=MARKS)
def test_marks_of_a_flow(field: FieldPair, octets: bytes, column: str, expected: object) -> None:
    assert row_of(((8, 4), (12, 4), field), OUTSIDE + PUBLIC + octets)[column] == expected


def test_the_logical_interface_counts_before_the_physical() -> None:
    assert row_of(((8, 4), (252, 4), (10, 4)), OUTSIDE + struct.pack("!II", 9, 7))["ingress_interface"] == 7


def test_events_of_a_translation_are_no_flows() -> None:
    # RFC 8158 4.3: natEvent marks a log record.
    fields = a_set(2, template(256, ((8, 4), (12, 4), (230, 1), (1, 4))))
    data = a_set(256, *(OUTSIDE + PUBLIC + bytes([event]) + b"\0\0\0\x64" for event in (4, 0, 5)))
    decoded = decode(ipfix(fields, data))
    assert decoded.column("octets") == [100]
    assert decoded.report.notes == [f"2 {EVENTS}"]
    assert (decoded.report.sessions[0].records, decoded.report.sessions[0].octets) == (1, 100)


def test_firewall_events_count_where_they_carry_traffic() -> None:
    # Common practice: 1 created, 2 deleted, 3 denied, 5 update.
    fields = a_set(2, template(256, ((8, 4), (12, 4), (233, 1), (1, 4))))
    told = ((1, 0), (2, 500), (3, 0), (5, 700), (1, 60), (2, 0))
    data = a_set(256, *(OUTSIDE + PUBLIC + struct.pack("!BI", *pair) for pair in told))
    assert decode(ipfix(fields, data)).column("octets") == [500, 700, 60, 0]


def test_records_that_are_no_flows_are_counted() -> None:
    fields = a_set(0, template(256, ((410, 4), (302, 4))))
    decoded = decode(netflow9(fields, a_set(256, bytes(16))))
    assert (decoded.rows, decoded.report.notes) == ([], [f"2 {NO_FLOWS}"])
    assert decoded.report.sessions[0].records == 0
