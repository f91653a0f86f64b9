"""Octets and packets: which counters count, running totals, both directions."""

from __future__ import annotations

import struct

import pytest

from tests.collector.decode.wire import (
    EXPORT_S,
    FieldPair,
    a_set,
    decode,
    ipfix,
    netflow9,
    session,
    template,
    v4,
    v4_octets,
)

KEY: tuple[FieldPair, ...] = ((8, 4), (12, 4), (4, 1), (7, 2), (11, 2))
HOSTS = v4_octets("10.0.0.1") + v4_octets("198.51.100.1")
FLOW = HOSTS + struct.pack("!BHH", 6, 1234, 443)


def counted(fields: tuple[FieldPair, ...], *values: int) -> tuple[object, object]:
    """Octets and packets of one flow with these counters, 4 octets each unless their field says otherwise."""
    octets = b"".join(value.to_bytes(field[1], "big") for field, value in zip(fields, values, strict=True))
    (row,) = decode(ipfix(a_set(2, template(256, (*KEY, *fields))), a_set(256, FLOW + octets))).rows
    return row["octets"], row["packets"]


COUNTERS: dict[str, tuple[tuple[FieldPair, ...], tuple[int, ...], tuple[int, int]]] = {
    "deltas": (((1, 4), (2, 4)), (900, 9), (900, 9)),
    "deltas before totals": (((85, 8), (86, 8), (1, 4), (2, 4)), (10**9, 10**6, 900, 9), (900, 9)),
    "totals alone": (((85, 8), (86, 8)), (900, 9), (900, 9)),
    "after the device's change, where there is nothing else": (((23, 4), (24, 4)), (900, 9), (900, 9)),
    "not after the device's change, where there is more": (
        ((1, 4), (2, 4), (23, 4), (24, 4)),
        (900, 9, 80, 8),
        (900, 9),
    ),
    "octets of frames, where there is nothing else": (((352, 8), (2, 4)), (1044, 9), (1044, 9)),
    "octets of IP before those of frames": (((352, 8), (1, 4), (2, 4)), (1044, 900, 9), (900, 9)),
    "totals of frames": (((353, 8), (86, 4)), (1044, 9), (1044, 9)),
    "octets alone": (((1, 4),), (900,), (900, 0)),
    "packets alone": (((2, 4),), (9,), (0, 9)),
    "three and five octets": (((1, 3), (2, 5)), (70_000, 2**33), (70_000, 2**33)),
    "64 bits": (((1, 8), (2, 8)), (2**63 + 1, 2**40), (2**63 + 1, 2**40)),
}


@pytest.mark.parametrize(("fields", "values", "expected"), COUNTERS.values(), ids=COUNTERS)
def test_the_counters_that_count(
    fields: tuple[FieldPair, ...], values: tuple[int, ...], expected: tuple[int, int]
) -> None:
    assert counted(fields, *values) == expected


def test_frames_that_hold_no_ip_have_no_octets() -> None:
    # ARP records of a switch: layer-2 octets, no addresses (RFC 7133 3.1).
    fields = a_set(2, template(256, ((256, 2), (352, 8), (2, 8))))
    decoded = decode(ipfix(fields, a_set(256, struct.pack("!HQQ", 0x0806, 60, 1))))
    assert [row["octets"] for row in decoded.rows] == [0]


TOTALS = a_set(2, template(256, (*KEY, (85, 4), (86, 4))))


def total(octets: int, packets: int, flow: bytes = FLOW) -> bytes:
    return flow + struct.pack("!II", octets, packets)


@pytest.mark.parametrize("batch_rows", [1, 1000])
def test_totals_of_one_flow_count_by_their_difference(batch_rows: int) -> None:
    # RFC 5102 5.10.4; the last falls: the count began anew.
    messages = [ipfix(TOTALS, a_set(256, total(900, 9)))]
    messages += [
        ipfix(a_set(256, total(*told)), sequence=n)
        for n, told in enumerate([(1500, 15), (1500, 15), (100, 1)], 1)
    ]
    decoded = decode(*messages, batch_rows=batch_rows)
    assert decoded.column("octets") == [900, 600, 0, 100]
    assert decoded.column("packets") == [9, 6, 0, 1]


def test_a_narrow_total_may_wrap() -> None:
    # RFC 7011 6.2: sent in 4 octets it wraps at 2^32.
    messages = [
        ipfix(TOTALS, a_set(256, total(2**32 - 100, 10))),
        ipfix(a_set(256, total(50, 12)), sequence=1),
    ]
    assert decode(*messages).column("octets") == [2**32 - 100, 150]


@pytest.mark.parametrize(
    ("before", "after", "added"),
    [
        (3 << 30, (1 << 30) - 1, (1 << 31) - 1),
        ((3 << 30) - 1, (1 << 30) - 1, (1 << 30) - 1),
        (3 << 30, 1 << 30, 1 << 30),
        (3 << 30, 0, 1 << 30),
    ],
    ids=["as near as a wrap may be", "not high enough", "not low enough", "to zero"],
)
def test_a_total_wraps_from_the_last_quarter_of_its_range_to_the_first(
    before: int, after: int, added: int
) -> None:
    """Anything else that falls began anew, and all of it was added."""
    messages = [ipfix(TOTALS, a_set(256, total(before, 10))), ipfix(a_set(256, total(after, 12)), sequence=1)]
    decoded = decode(*messages)
    assert (decoded.column("octets"), decoded.column("packets")) == ([before, added], [10, 2])


def test_a_total_of_frames_that_falls_began_anew() -> None:
    """Frames of 10,000 octets and 5,000 more; then the exporter began to count anew."""
    fields = a_set(2, template(256, (*KEY, (353, 8), (86, 4))))
    records = [FLOW + struct.pack("!QI", *totals) for totals in ((10_000, 10), (15_000, 15), (60, 1))]
    decoded = decode(ipfix(fields, a_set(256, *records)))
    assert (decoded.column("octets"), decoded.column("packets")) == ([10_000, 5000, 60], [10, 5, 1])


def test_totals_of_other_flows_and_domains_are_others() -> None:
    other = HOSTS + struct.pack("!BHH", 6, 1235, 443)
    messages = [
        ipfix(TOTALS, a_set(256, total(900, 9), total(700, 7, other))),
        ipfix(TOTALS, a_set(256, total(1000, 10)), domain=2),
        ipfix(a_set(256, total(950, 10), total(800, 8, other)), sequence=2),
    ]
    assert decode(*messages).column("octets") == [900, 700, 1000, 50, 100]


def test_a_flow_whose_template_gains_the_reverse_direction_goes_on() -> None:
    both = a_set(2, template(257, (*KEY, (85, 4), (86, 4), (85, 4, 29305), (86, 4, 29305))))
    data = a_set(256, total(900, 9)) + a_set(257, total(1900, 19) + struct.pack("!II", 50, 1))
    assert decode(ipfix(TOTALS, both, data)).column("octets") == [900, 1000, 50]


def rows_of(fields: tuple[FieldPair, ...], record: bytes) -> list[dict[str, object]]:
    return decode(ipfix(a_set(2, template(256, fields)), a_set(256, record))).rows


BIFLOW: tuple[FieldPair, ...] = (
    *KEY, (10, 4), (14, 4), (6, 1), (1, 4), (2, 4), (152, 8), (153, 8),
    (1, 4, 29305), (2, 4, 29305), (6, 1, 29305), (152, 8, 29305), (153, 8, 29305),
)  # fmt: skip
NOW_MS = EXPORT_S * 1000


def biflow(reverse_octets: int, reverse_packets: int) -> bytes:
    forward = struct.pack("!IIBIIQQ", 1, 2, 0x1B, 900, 9, NOW_MS - 9000, NOW_MS - 1000)
    return (
        FLOW
        + forward
        + struct.pack("!IIBQQ", reverse_octets, reverse_packets, 0x12, NOW_MS - 8000, NOW_MS - 2000)
    )


def test_a_biflow_is_two_rows_with_the_sides_swapped() -> None:
    # RFC 5103 6: reverse elements belong to destination-to-source.
    forward, back = rows_of(BIFLOW, biflow(5000, 7))
    assert (forward["octets"], forward["packets"], forward["tcp_flags"]) == (900, 9, 0x1B)
    assert (back["octets"], back["packets"], back["tcp_flags"]) == (5000, 7, 0x12)
    assert (back["src_address"], back["dst_address"]) == (v4("198.51.100.1"), v4("10.0.0.1"))
    assert (back["src_port"], back["dst_port"], back["protocol"]) == (443, 1234, 6)
    assert (back["ingress_interface"], back["egress_interface"]) == (2, 1)
    assert [back[name].timestamp() for name in ("start", "end")] == [EXPORT_S - 8, EXPORT_S - 2]  # type: ignore[attr-defined]


def test_a_biflow_that_nothing_came_back_on_is_one_row() -> None:
    assert len(rows_of(BIFLOW, biflow(0, 0))) == 1


def test_a_biflow_without_reverse_times_has_the_forward_ones() -> None:
    fields = (*KEY, (1, 4), (152, 8), (153, 8), (1, 4, 29305))
    rows = rows_of(fields, FLOW + struct.pack("!IQQI", 900, NOW_MS - 9000, NOW_MS - 1000, 70))
    assert {(row["start"], row["end"]) for row in rows} == {(rows[0]["start"], rows[0]["end"])}


def test_initiator_and_responder_octets_are_both_directions() -> None:
    fields = (*KEY, (231, 8), (232, 8), (298, 8), (299, 8))
    rows = rows_of(fields, FLOW + struct.pack("!QQQQ", 900, 5000, 9, 7))
    assert [(row["src_port"], row["octets"], row["packets"]) for row in rows] == [
        (1234, 900, 9),
        (443, 5000, 7),
    ]


def test_initiator_and_responder_octets_in_netflow9() -> None:
    fields = a_set(0, template(256, (*KEY, (231, 4), (232, 4))))
    decoded = decode(netflow9(fields, a_set(256, FLOW + struct.pack("!II", 900, 5000), padding=3)))
    assert decoded.column("octets") == [900, 5000]
    assert decoded.report.sessions[0].records == 1


def test_icmp_of_the_reverse_direction_keeps_type_and_code_in_the_destination_port() -> None:
    fields = (*KEY, (1, 4), (1, 4, 29305))
    record = HOSTS + struct.pack("!BHHII", 1, 0, 8 << 8, 84, 84)
    assert [(row["src_port"], row["dst_port"]) for row in rows_of(fields, record)] == [(0, 2048), (0, 2048)]


def test_octets_of_both_directions_add_up_in_the_report() -> None:
    fields = a_set(2, template(256, (*KEY, (231, 8), (232, 8))))
    decoded = decode(ipfix(fields, a_set(256, FLOW + struct.pack("!QQ", 900, 5000))), of=session())
    (told,) = decoded.report.sessions
    assert (told.records, told.octets) == (1, 5900)
