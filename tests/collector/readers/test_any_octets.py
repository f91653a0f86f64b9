"""Whatever the octets: reading ends, and raises nothing but ExportError."""

from __future__ import annotations

import bz2
import gzip
import io
import struct

import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from flowdiag.collector.readers.container import Flows, open_container
from flowdiag.collector.readers.links import LINK_TYPES
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.readers.parquet import read_parquet
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.errors import ExportError

from .builders import ETHERNET_HEADER, frame, ipfix, ipv4, netflow5, netflow9, udp
from .builders import pcap as capture
from .test_pcapng import MICRO, enhanced, interface, section

SOUND = {
    "messages": ipfix(0) + netflow9(1, sets=2) + netflow5(2, 2) + ipfix(3),
    "pcap": capture([frame(ipfix(0)), frame(netflow9(1)), frame(netflow5(2)), frame(ipfix(3))]),
    "pcapng": section() + interface() + enhanced(frame(ipfix(0)), MICRO) * 3,
    "tcp": capture(
        [
            ETHERNET_HEADER + ipv4(struct.pack(">HHIIBBHHH", 1, 2, 5, 0, 80, 2, 0, 0, 0), 6),
            ETHERNET_HEADER + ipv4(struct.pack(">HHIIBBHHH", 1, 2, 6, 0, 80, 16, 0, 0, 0) + ipfix(0) * 3, 6),
        ]
    ),
    "fragments": capture([ETHERNET_HEADER + ipv4(udp(ipfix())[:40], fragment=0x2000)] * 2),
}
SOUND |= {
    "gzip": gzip.compress(SOUND["pcap"]),
    "bzip2": bz2.compress(SOUND["pcap"]),
    "zstd": zstandard.ZstdCompressor().compress(SOUND["pcap"]),
}


def try_reading(octets: bytes) -> str:
    """Read everything that the octets hold; gives the error's text, if there is one."""
    report = ExportReport()
    try:
        contents = open_container(io.BytesIO(octets), Source("file", 0, report), Dissector())
        if isinstance(contents, Flows):
            list(read_parquet(contents.window, contents.source, StoredFlows(report)))
        else:
            list(contents.datagrams)
    except ExportError as error:
        return str(error)
    return ""


@given(st.binary(max_size=2_000))
def test_any_octets(octets: bytes) -> None:
    assert "\n" not in try_reading(octets)


@given(st.sampled_from([b"\x00\x0a", b"\x00\x09", b"\x00\x05"]), st.binary(max_size=300))
def test_any_octets_after_a_version(version: bytes, octets: bytes) -> None:
    assert "\n" not in try_reading(version + octets)


@given(st.sampled_from(sorted(LINK_TYPES)), st.lists(st.binary(max_size=100), max_size=5))
def test_any_packets_on_any_link(link_type: int, frames: list[bytes]) -> None:
    assert "\n" not in try_reading(capture(frames, link_type=link_type))


@given(st.lists(st.builds(ipv4, st.binary(max_size=80), st.sampled_from([6, 17, 44, 132]))))
def test_any_transport_octets(packets: list[bytes]) -> None:
    assert "\n" not in try_reading(capture(packets, link_type=101))


@pytest.mark.parametrize("name", SOUND)
@settings(max_examples=60)
@given(data=st.data())
def test_any_change_to_a_sound_container(name: str, data: st.DataObject) -> None:
    octets = bytearray(SOUND[name])
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(octets) - 1))
        octets[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=4))
        if not octets:
            break
    assert "\n" not in try_reading(bytes(octets))


@pytest.mark.parametrize("name", SOUND)
def test_any_truncation_of_a_sound_container(name: str) -> None:
    for kept in range(len(SOUND[name])):
        assert "\n" not in try_reading(SOUND[name][:kept])


def test_parquet_magic_around_nothing() -> None:
    assert "damaged Parquet" in try_reading(b"PAR1" + bytes(50) + b"PAR1")
