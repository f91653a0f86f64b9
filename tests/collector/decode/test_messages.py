"""Headers of messages and their sets, by hand from the layouts of RFC 7011 3.1, RFC 3954 5.1 and, for v5, common practice."""

from __future__ import annotations

import struct

import pytest

from flowdiag.collector.decode.malformed import Malformed
from flowdiag.collector.decode.messages import SetBounds, read_header

IPFIX = struct.pack("!HHIII", 10, 28, 1_700_000_000, 77, 3) + struct.pack("!HH", 256, 12) + bytes(8)
NINE = struct.pack("!HHIIII", 9, 2, 5_000, 1_700_000_000, 77, 3) + struct.pack("!HH", 256, 12) + bytes(8)
FIVE = struct.pack("!HHIIIIBBH", 5, 1, 5_000, 1_700_000_000, 7_999_999, 77, 2, 4, 0x4064) + bytes(48)


def test_a_header_tells_who_when_and_which() -> None:
    assert read_header(IPFIX) == (10, 77, 3, 0, 1_700_000_000_000, 0, [SetBounds(256, 20, 28)])
    assert read_header(NINE) == (9, 77, 3, 2, 1_700_000_000_000, 0, [SetBounds(256, 24, 32)])
    assert read_header(FIVE) == (5, 77, 2 * 256 + 4, 1, 1_700_000_000_007, 0x4064, [])


def test_nanoseconds_beyond_a_second_are_its_last_millisecond() -> None:
    for beyond in (999_999_999, 1_000_000_000, 0xFFFF_FFFF):
        assert read_header(FIVE[:12] + struct.pack("!I", beyond) + FIVE[16:]).export_ms == 1_700_000_000_999


@pytest.mark.parametrize("message", [IPFIX, NINE, FIVE], ids=["ipfix", "netflow9", "netflow5"])
def test_what_is_cut_short_is_malformed(message: bytes) -> None:
    read_header(message)
    for octets in (len(message) - 1, 17, 15, 2, 1, 0):
        with pytest.raises(Malformed):
            read_header(message[:octets])


@pytest.mark.parametrize("length", [0, 15, 29])
def test_an_ipfix_length_below_its_header_or_beyond_its_end_is_malformed(length: int) -> None:
    with pytest.raises(Malformed) as told:
        read_header(IPFIX[:2] + struct.pack("!H", length) + IPFIX[4:])
    assert told.value.at == 2


def test_an_ipfix_message_of_a_header_alone_has_no_sets() -> None:
    assert read_header(IPFIX[:2] + struct.pack("!H", 16) + IPFIX[4:]).sets == []


def with_sets(*sets: tuple[int, int]) -> bytes:
    """An IPFIX message of 12 octets behind its header: number and length of sets as told, one after another."""
    octets = bytearray(12)
    at = 0
    for number, length in sets:
        octets[at : at + 4] = struct.pack("!HH", number, length)
        at += length
    return IPFIX[:16] + bytes(octets)


@pytest.mark.parametrize(
    ("sets", "places"),
    [
        ([(256, 12)], [(256, 20, 28)]),
        ([(256, 9)], [(256, 20, 25)]),  # three octets are no header
        ([(2, 8), (256, 4)], [(2, 20, 24), (256, 28, 28)]),
    ],
)
def test_sets_follow_each_other(sets: list[tuple[int, int]], places: list[tuple[int, int, int]]) -> None:
    assert read_header(with_sets(*sets)).sets == [SetBounds(*place) for place in places]


@pytest.mark.parametrize(
    ("sets", "at"), [([(256, 3)], 16), ([(256, 13)], 16), ([(2, 8), (256, 5)], 24), ([(2, 4)], 20)]
)
def test_a_set_shorter_than_its_header_or_longer_than_its_message_is_malformed(
    sets: list[tuple[int, int]], at: int
) -> None:
    with pytest.raises(Malformed) as told:
        read_header(with_sets(*sets))
    assert told.value.at == at
