"""Message lengths and plausibility.

Header layouts: RFC 7011 3.1, RFC 3954 5.1, v5 common practice (no source).
"""

from __future__ import annotations

import struct

import pytest

from flowdiag.collector.readers.framing import (
    DAMAGED,
    MAX_NETFLOW9_SETS,
    MORE_NEEDED,
    begins_ipfix_message,
    looks_like_export,
    message_length,
    sets_fit,
)

from .builders import EXPORT_TIME, ipfix, netflow5, netflow9

NOW_MS = EXPORT_TIME * 1000
LONG_AFTER_MS = NOW_MS + 400 * 86_400_000


def length(octets: bytes, *, final: bool = True) -> int:
    return message_length(octets, 0, len(octets), final=final)


def test_ipfix_says_its_length() -> None:
    assert length(ipfix(0, b"")) == 20


def test_netflow5_is_24_octets_and_48_a_record() -> None:
    assert [length(netflow5(0, count)) for count in (1, 30)] == [72, 1_464]


@pytest.mark.parametrize("count", [0, 31, 65_535])
def test_netflow5_holds_1_to_30_records(count: int) -> None:
    assert length(struct.pack(">HH", 5, count) + bytes(2_000)) == DAMAGED


def test_netflow9_ends_where_a_version_stands_in_place_of_a_flowset() -> None:
    assert length(netflow9(0, sets=2) + ipfix(0)) == len(netflow9(0, sets=2)) == 20 + 2 * 16


def test_netflow9_needs_the_octets_after_it_unless_the_file_ends() -> None:
    assert length(netflow9(), final=False) == MORE_NEEDED
    assert length(netflow9(), final=True) == len(netflow9())


def test_netflow9_with_a_reserved_flowset_id_is_damaged() -> None:
    # RFC 3954 5.2: 2 to 255 are reserved; 5, 9 and 10 would be the next message.
    assert length(netflow9()[:20] + b"\x00\x80\x00\x08abcd") == DAMAGED


def test_netflow9_with_a_flowset_that_cannot_advance_is_damaged() -> None:
    assert length(netflow9()[:20] + b"\x01\x00\x00\x03" + bytes(20)) == DAMAGED


def test_netflow9_with_more_flowsets_than_the_bound_is_damaged() -> None:
    empty = struct.pack(">HH", 256, 4)
    header = netflow9()[:20]
    assert length(header + empty * (MAX_NETFLOW9_SETS - 1)) == 20 + 4 * (MAX_NETFLOW9_SETS - 1)
    assert length(header + empty * MAX_NETFLOW9_SETS) == DAMAGED


def test_other_versions_are_not_ours() -> None:
    assert length(b"\x00\x08" + bytes(100)) == DAMAGED


def test_sets_fit_only_if_they_end_with_the_message() -> None:
    assert sets_fit(ipfix(), 0, len(ipfix()))
    assert not sets_fit(ipfix() + b"\x01\x00\x00\x09", 0, len(ipfix()) + 4)


@pytest.mark.parametrize("payload", [ipfix(), netflow9(), netflow5(), netflow5(0, 30)])
def test_an_export_is_known_by_its_structure_whatever_the_clock(payload: bytes) -> None:
    assert looks_like_export(payload, LONG_AFTER_MS)
    assert looks_like_export(payload, None)


@pytest.mark.parametrize("payload", [ipfix()[:-3], netflow9()[:-3], netflow5()[:-3]])
def test_a_damaged_export_is_known_by_its_clock(payload: bytes) -> None:
    assert looks_like_export(payload, NOW_MS)
    assert not looks_like_export(payload, LONG_AFTER_MS)


@pytest.mark.parametrize("identifier", [5, 9, 10])
def test_a_dns_question_with_a_version_as_its_id_is_no_export(identifier: int) -> None:
    # RFC 1035 4.1: id, flags, four counts, then the question.
    header = struct.pack(">HHHHHH", identifier, 0x0100, 1, 0, 0, 0)
    question = header + b"\x07example\x03net\x00\x00\x01\x00\x01"
    assert not looks_like_export(question, NOW_MS)


@pytest.mark.parametrize(
    "payload", [b"", b"\x00", b"\x00\x0a", b"\x00\x09" + bytes(13), b"\x00\x05" + bytes(15)]
)
def test_short_payloads_are_no_exports(payload: bytes) -> None:
    assert not looks_like_export(payload, 0)


def test_an_ipfix_beginning_needs_a_set_that_fits() -> None:
    assert begins_ipfix_message(ipfix(), 0, len(ipfix()))
    assert begins_ipfix_message(ipfix(0, b"")[:16], 0, 16)
    assert not begins_ipfix_message(ipfix()[:16] + b"\x00\x07\x00\x08" + bytes(8), 0, 28)
    assert not begins_ipfix_message(ipfix()[:16] + b"\x01\x00\xff\xff" + bytes(8), 0, 28)
