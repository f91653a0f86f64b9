"""Where a translation leads to an inside host (RFC 1918, RFC 4193), and small readers of values, asked themselves."""

from __future__ import annotations

import struct
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from flowdiag.collector.decode.addresses import Endpoint, as_addresses, inside_destination, mapped
from flowdiag.collector.decode.allowance import Allowance
from flowdiag.collector.decode.cursor import Cursor
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.options import _integer
from flowdiag.collector.decode.sampling import plausible
from flowdiag.collector.decode.sequence import Messages, Sequences
from flowdiag.collector.decode.templates import Template, ipfix_definitions
from flowdiag.collector.decode.times import ntp_microseconds
from tests.collector.decode.fake_columns import FakeColumns
from tests.collector.decode.wire import a_set, decode, ipfix, template


def v4(*texts: str) -> Any:
    return np.array([int.from_bytes(bytes(map(int, text.split("."))), "big") for text in texts], ">u4").view(
        np.uint32
    )


def v6(*firsts: int) -> Any:
    return np.array([[first, *range(1, 16)] for first in firsts], np.uint8)


def leads(destination: Any, port: Any, **columns: Any) -> tuple[Any, Any]:
    given: Any = FakeColumns(len(destination), **columns)
    end, later = inside_destination(
        given, Endpoint(destination, None), None if port is None else np.array(port)
    )
    return end.address, None if later is None else later.tolist()


PUBLIC = "203.0.113.9"


@pytest.mark.parametrize(
    ("later", "inside"),
    [
        ("10.0.0.1", True),
        ("11.0.0.1", False),
        ("9.255.255.255", False),
        ("172.16.0.1", True),
        ("172.31.255.255", True),
        ("172.32.0.1", False),
        ("172.15.255.255", False),
        ("192.168.0.1", True),
        ("192.169.0.1", False),
        ("192.167.255.255", False),
        ("198.51.100.1", False),
    ],
)
def test_a_private_address_behind_a_public_one_is_the_host(later: str, inside: bool) -> None:
    before, after = v4(PUBLIC), v4(later)
    address, port = leads(
        mapped(before),
        [443],
        POST_NAT_DESTINATION_IPV4=after,
        DESTINATION_IPV4=before,
        POST_NAPT_DESTINATION_PORT=[8443],
    )
    assert (address == mapped(after if inside else before)).all()
    assert port == ([8443] if inside else [443])


def test_a_port_of_zero_is_none_and_who_was_private_before_is_not_translated_to() -> None:
    before, after = v4(PUBLIC, "10.0.0.2"), v4("10.0.0.1", "10.0.0.3")
    address, port = leads(
        mapped(before), [443, 80], POST_NAT_DESTINATION_IPV4=after, DESTINATION_IPV4=before,
        POST_NAPT_DESTINATION_PORT=[0, 8080],
    )  # fmt: skip
    assert (address == mapped(v4("10.0.0.1", "10.0.0.2"))).all()
    assert port == [443, 80]
    assert leads(mapped(before), None, POST_NAT_DESTINATION_IPV4=after, DESTINATION_IPV4=before)[1] is None


@pytest.mark.parametrize(("later", "inside"), [(0xFC, True), (0xFD, True), (0xFE, False), (0xFB, False)])
def test_a_unique_local_address_behind_a_global_one_is_the_host(later: int, inside: bool) -> None:
    before, after = v6(0x20), v6(later)
    address, port = leads(
        as_addresses(before),
        [443],
        POST_NAT_DESTINATION_IPV6=after,
        DESTINATION_IPV6=before,
        POST_NAPT_DESTINATION_PORT=[8443],
    )
    assert (address == as_addresses(after if inside else before)).all()
    assert port == ([8443] if inside else [443])


def test_without_what_was_before_or_comes_after_nothing_is_translated() -> None:
    before, after = v6(0x20), v6(0xFC)
    unknown = as_addresses(before)
    for columns in (
        {"POST_NAT_DESTINATION_IPV6": after},
        {"DESTINATION_IPV6": before},
        {"POST_NAT_DESTINATION_IPV4": v4("10.0.0.1")},
    ):
        address, port = leads(unknown, [443], **columns)
        assert (address == unknown).all()
        assert port == [443]


@pytest.mark.parametrize(
    ("octets", "value"),
    [(b"", 0), (b"\x01", 1), (b"\xff" * 8, (1 << 64) - 1), (b"\x00" * 8 + b"\x01", 0), (b"\x01\x00", 256)],
)
def test_integers_have_eight_octets_at_most(octets: bytes, value: int) -> None:
    assert _integer(octets) == value


@pytest.mark.parametrize(
    ("factor", "told"), [(1.0, 1.0), (0.99, None), (16_777_216.0, 16_777_216.0), (16_777_217.0, None)]
)
def test_one_in_sixteen_million_is_the_most_that_is_sampling(factor: float, told: float | None) -> None:
    assert plausible(factor) == told


@pytest.mark.parametrize(("width", "octets"), [(1, 7), (2, 7), (3, 7), (4, 7), (5, 7), (7, 7), (8, 7)])
def test_counters_of_any_width_up_to_eight_octets_are_read(width: int, octets: int) -> None:
    """RFC 7011 6.2: reduced sizes."""
    fields = ((8, 4), (1, width))
    record = b"\x0a\0\0\x01" + octets.to_bytes(width, "big")
    assert decode(ipfix(a_set(2, template(256, fields)), a_set(256, record))).column("octets") == [octets]


# Definitions, times, numbers ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("scopes", "count", "taken"), [(0, 2, False), (1, 2, True), (2, 2, True), (3, 2, False), (1, 1, True)]
)
def test_a_template_of_options_has_a_scope_and_no_more_of_them_than_fields(
    scopes: int, count: int, taken: bool
) -> None:
    """RFC 7011 3.4.2.2: the scope field count is not zero."""
    octets = struct.pack("!HHH", 300, count, scopes) + struct.pack("!HH", 34, 4) * count
    (found,) = ipfix_definitions(Cursor(octets), options=True)
    assert isinstance(found, Template) == taken
    plain = struct.pack("!HH", 300, count) + struct.pack("!HH", 34, 4) * count
    (found,) = ipfix_definitions(Cursor(plain), options=False)
    assert isinstance(found, Template)
    assert found.scopes == 0


NTP_2026 = (
    3_976_300_800  # 2026-01-01T00:00:00Z in seconds since 1900 (RFC 5905): 1,767,312,000 + 2,208,988,800
)


@pytest.mark.parametrize(
    ("fraction", "micro"), [(0, 0), (2048, 0), (4096, 1), (1 << 31, 500_000), (0x7FF, 0)]
)
def test_fractions_of_ntp_are_rounded_to_microseconds_without_their_last_eleven_bits(
    fraction: int, micro: int
) -> None:
    """RFC 7011 6.1.9: 2048 of 2^32 are 0.48 millionths, 4096 are 0.95."""
    export_s = NTP_2026 - 2_208_988_800
    given: Any = SimpleNamespace(export_ms=np.array([export_s * 1000]))
    found = ntp_microseconds(np.array([NTP_2026 << 32 | fraction], np.uint64), given)
    assert found.tolist() == [export_s * 1_000_000 + micro]


@pytest.mark.parametrize(("version", "restarts"), [(10, 1), (9, 0)])
def test_numbers_that_begin_at_zero_are_a_restart_in_ipfix_only(version: int, restarts: int) -> None:
    sequences = Sequences(version, Limits(), Allowance(99))
    numbers, zeros = np.array([100, 101, 0], np.uint32), np.zeros(3, np.int64)
    sequences.add(Messages(zeros, numbers, zeros + 1, zeros, zeros, 1000 * np.arange(3), zeros))
    _, trackers = sequences.believed()
    assert sum(len(tracker.restarts) for tracker in trackers) == restarts
