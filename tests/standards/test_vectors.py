"""Messages printed in the RFCs, or put together from their figures; values as the RFCs give them.

What an RFC leaves open was filled in: export time 1380000000, sequence 0, domain 1, enterprise number 32473 (set
aside for examples by RFC 5612). Misprints of the RFCs were put right: RFC 7011 A.1 with A.4.4, RFC 6235 figure 8,
RFC 5476 figure K.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from flowdiag.collector.decode.options import application_of
from tests.collector.decode.wire import a_set, decode, file_session, ipfix, session, v4
from tests.standards.values import data_sets

HERE = Path(__file__).parent
VECTORS: list[dict[str, Any]] = json.loads((HERE / "vectors.json").read_text())
MALFORMED: list[dict[str, Any]] = json.loads((HERE / "malformed.json").read_text())
OCTETS = {vector["id"]: bytes.fromhex(vector["octets"]) for vector in (*VECTORS, *MALFORMED)}


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector["id"])
def test_every_value_of_a_published_message_is_read(vector: dict[str, Any]) -> None:
    assert list(data_sets(OCTETS[vector["id"]])) == vector["messages"]


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector["id"])
def test_published_messages_decode_without_problems(vector: dict[str, Any]) -> None:
    octets = OCTETS[vector["id"]]
    messages = []
    while octets:
        length = int.from_bytes(octets[2:4], "big") if octets[1] == 10 else len(octets)
        messages.append(octets[:length])
        octets = octets[length:]
    assert decode(*messages, of=file_session()).problems == []


def flows_of(name: str) -> list[tuple[object, ...]]:
    octets = OCTETS[name]
    messages = [octets] if octets[1] == 9 else []
    while octets and not (messages and octets[1] == 9):
        length = int.from_bytes(octets[2:4], "big")
        messages.append(octets[:length])
        octets = octets[length:]
    columns = ("src_address", "dst_address", "packets", "octets")
    return [tuple(row[name] for name in columns) for row in decode(*messages, of=file_session()).rows]


def test_flows_of_rfc_7011_a_3() -> None:
    assert flows_of("rfc7011-a-all") == [
        (v4("192.0.2.12"), v4("192.0.2.254"), 5009, 5344385),
        (v4("192.0.2.27"), v4("192.0.2.23"), 748, 388934),
        (v4("192.0.2.56"), v4("192.0.2.65"), 5, 6534),
    ]


def test_flows_of_rfc_3954_11() -> None:
    # 198.168.1.12 stands so in the RFC.
    assert flows_of("rfc3954-11") == [
        (v4("198.168.1.12"), v4("10.5.12.254"), 5009, 5344385),
        (v4("192.168.1.27"), v4("10.5.12.23"), 748, 388934),
        (v4("192.168.1.56"), v4("10.5.12.65"), 5, 6534),
    ]


def test_one_flow_in_both_protocols_of_rfc_5655_b_3() -> None:
    assert flows_of("rfc5655-b3-v9") == flows_of("rfc5655-b3-ipfix")
    assert flows_of("rfc5655-b3-ipfix") == [(v4("192.0.2.2"), v4("192.0.2.3"), 0, 60303)]


def test_the_biflow_of_rfc_5103_appendix_a_is_two_rows() -> None:
    rows = decode(OCTETS["rfc5103-a"]).rows
    assert [(row["src_address"], row["src_port"], row["dst_port"]) for row in rows] == [
        (v4("192.0.2.2"), 32770, 80),
        (v4("192.0.2.3"), 80, 32770),
    ]
    assert [(row["octets"], row["packets"]) for row in rows] == [(18000, 65), (128000, 110)]
    starts = [row["start"].isoformat() for row in rows]  # type: ignore[attr-defined]
    assert starts == ["2006-02-01T17:00:00+00:00", "2006-02-01T17:00:01+00:00"]


def test_the_file_of_rfc_5655_a_names_its_exporter() -> None:
    octets = OCTETS["rfc5655-file-corrected"]
    decoded = decode(octets[:160], octets[160:242], octets[242:], of=file_session())
    (told,) = decoded.report.sessions
    assert (told.exporter, told.port) == (v4("192.0.2.30"), 32769)
    assert decoded.column("exporter") == [v4("192.0.2.30")]
    assert (told.lost_records, told.option_records, told.records) == (0, 5, 1)


def test_the_third_message_of_rfc_5655_figure_10_is_cut_and_the_second_overruns_itself() -> None:
    decoded = decode(*(OCTETS[f"rfc5655-fig10-msg{number}"] for number in (1, 2, 3)), of=file_session())
    assert [problem.offset for problem in decoded.report.problems] == [160 + 58, 240 + 2]


def test_record_and_padding_of_rfc_7373_appendix_a() -> None:
    (row,) = decode(OCTETS["rfc7373-a"]).rows
    assert (row["octets"], row["packets"], row["tcp_flags"], row["end_reason"]) == (195383, 88, 19, 3)
    assert row["start"].isoformat() == "2012-11-05T18:31:01.135000+00:00"  # type: ignore[attr-defined]
    assert row["end"].isoformat() == "2012-11-05T18:31:02.880000+00:00"  # type: ignore[attr-defined]


NOT_MESSAGES = ("rfc5471-fig6", "rfc5471-fig6-scope2", "derived-zero-width-template", "derived-short-address")


@pytest.mark.parametrize(
    "vector", [v for v in MALFORMED if v["id"] not in NOT_MESSAGES], ids=lambda vector: vector["id"]
)
def test_a_malformed_message_is_left_out_whole(vector: dict[str, Any]) -> None:
    decoded = decode(OCTETS[vector["id"]])
    assert len(decoded.problems) == 1
    assert decoded.problems[0].startswith("malformed messages were left out")
    assert decoded.report.sessions == [] or decoded.report.sessions[0].messages == 0


@pytest.mark.parametrize("name", ["rfc5471-fig6", "rfc5471-fig6-scope2"])
def test_options_template_without_scopes_or_with_too_many_is_dropped(name: str) -> None:
    # RFC 7011 3.4.2.2, RFC 5471 3.6.4 figure 6
    decoded = decode(OCTETS[name])
    assert decoded.problems == ["templates with no scopes, or more scopes than fields were left out"]
    assert decoded.report.sessions[0].templates == {}


def test_template_of_records_without_octets_is_dropped_and_its_data_counted() -> None:
    decoded = decode(OCTETS["derived-zero-width-template"])
    assert decoded.report.undecoded_sets == 1
    assert decoded.problems[0] == "templates with records without octets were left out"


def test_an_address_of_three_octets_is_no_address_and_the_record_stays() -> None:
    # RFC 5471 3.6.5 would discard the message; unknown octets in one field keep the rest.
    (row,) = decode(OCTETS["derived-short-address"]).rows
    assert row["src_address"] is None


WITHDRAWALS = {
    # RFC 7011 figures T, U, V
    "0002001001000000010100000102 0000": {300},
    "0002000800020000": {300},
    "0003000800030000": {256, 257, 258},
}


@pytest.mark.parametrize(("octets", "left"), WITHDRAWALS.items())
def test_withdrawals_are_obeyed_over_tcp_and_ignored_over_udp(octets: str, left: set[int]) -> None:
    simple = [a_set(2, bytes.fromhex(f"{number:04x}000100010004")) for number in (256, 257, 258)]
    options = a_set(3, bytes.fromhex("012c0002000100950004 00290004"))
    data = [a_set(number, bytes(4 if number < 300 else 8)) for number in (256, 257, 258, 300)]
    defining = ipfix(*simple, options)
    withdrawing = ipfix(bytes.fromhex(octets), *data, sequence=0)
    over_tcp = decode(defining, withdrawing, of=session(transport="tcp"))
    decoded = over_tcp.report.sessions[0]
    counted = {number for number, told in decoded.templates.items() if told.records}
    assert counted == left
    assert decoded.undecoded_sets == 4 - len(left)
    assert decode(defining, withdrawing, of=session(transport="udp")).report.undecoded_sets == 0


APPLICATIONS = {
    # RFC 6759 6.1 to 6.7, enterprise number 32473 for X
    "1288cc": (18, 0, 35020),
    "0101": (1, 0, 1),
    "025a": (2, 0, 90),
    "0300a1": (3, 0, 161),
    "0d002710": (13, 0, 10000),
    "1400007ed9002710": (20, 32473, 10000),
    "030050": (3, 0, 80),
}


@pytest.mark.parametrize(("octets", "parts"), APPLICATIONS.items())
def test_application_ids_of_rfc_6759(octets: str, parts: tuple[int, int, int]) -> None:
    assert application_of(bytes.fromhex(octets)) == parts


def test_leading_zeros_of_an_application_do_not_count() -> None:
    # RFC 6759 4.1: a selector may be sent in more octets than it needs
    assert application_of(bytes.fromhex("0300000050")) == application_of(bytes.fromhex("030050"))


def test_both_length_prefixes_of_rfc_7011_a_5() -> None:
    values = [(7, b"\x05eth12"), (8, b"\x00"), (9, b"\xff\x03\xe8" + b"x" * 1000), (10, b"\xff\x00\x03abc")]
    records = [index.to_bytes(4, "big") + value for index, value in values]
    definition = bytes.fromhex("012c0002000a00040052ffff")
    decoded = decode(ipfix(a_set(2, definition), a_set(300, *records)))
    names = {index: told.name for (_, index), told in decoded.report.interfaces.items()}
    assert names == {7: "eth12", 8: "", 9: "x" * 255, 10: "abc"}
    assert decoded.report.sessions[0].templates[300].records == 4
