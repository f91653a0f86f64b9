"""Bulk exports: whole messages, right headers, the records asked for."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import pytest
import scapy.layers.netflow as netflow
from scapy.layers.inet import IP, UDP
from scapy.utils import rdpcap

from flowdiag.scenario.bulk import PER_MESSAGE, Protocol, write_bulk


def payloads(path: Path) -> list[bytes]:
    return [bytes(packet[UDP].payload) for packet in rdpcap(io.BytesIO(path.read_bytes()))]


@pytest.mark.parametrize(("protocol", "width"), [("ipfix", 56), ("netflow9", 56), ("netflow5", 48)])
def test_messages_are_whole_and_hold_24_records(tmp_path: Path, protocol: Protocol, width: int) -> None:
    path = write_bulk(tmp_path / "bulk.pcap", 240, protocol, pcap=True)
    messages = payloads(path)
    header = {"ipfix": 20, "netflow9": 24, "netflow5": 24}[protocol]
    data = messages if protocol == "netflow5" else messages[1:]
    assert [len(message) for message in data] == [header + PER_MESSAGE * width] * 10


@pytest.mark.parametrize(
    ("protocol", "offset", "step"), [("ipfix", 8, 24), ("netflow9", 12, 1), ("netflow5", 16, 24)]
)
def test_sequence_numbers_leave_no_gap(tmp_path: Path, protocol: Protocol, offset: int, step: int) -> None:
    messages = payloads(write_bulk(tmp_path / "bulk.pcap", 240, protocol, pcap=True))
    numbers = [struct.unpack_from("!I", message, offset)[0] for message in messages]
    if protocol == "ipfix":
        assert numbers.pop(0) == numbers[0] == 0  # a template is no data record (RFC 7011 3.1)
    assert numbers == [numbers[0] + step * n for n in range(len(numbers))]


def test_checksums_are_right(tmp_path: Path) -> None:
    for packet in rdpcap(io.BytesIO(write_bulk(tmp_path / "bulk.pcap", 60, "netflow9").read_bytes())):
        sent = packet[IP].chksum
        again = packet.copy()
        del again[IP].chksum
        assert type(packet)(bytes(again))[IP].chksum == sent


def test_scapy_reads_the_records(tmp_path: Path) -> None:
    messages = payloads(write_bulk(tmp_path / "bulk.pcap", 48, "netflow9"))
    packets = netflow.netflowv9_defragment([netflow.NetflowHeader(message) for message in messages])
    record = packets[1].getlayer(netflow.NetflowDataflowsetV9).records[0]
    assert record.fields["IPV4_SRC_ADDR"].startswith(("10.0.", "198.18."))
    assert {int(record.fields["INPUT_SNMP"]), int(record.fields["OUTPUT_SNMP"])} == {1, 2}
    assert int(record.fields["LAST_SWITCHED"]) >= int(record.fields["FIRST_SWITCHED"])


def test_an_ipfix_file_is_messages_one_after_another_and_repeatable(tmp_path: Path) -> None:
    raw = write_bulk(tmp_path / "a.ipfix", 1000, seed=3).read_bytes()
    at, messages = 0, 0
    while at < len(raw):
        version, length = struct.unpack_from("!HH", raw, at)
        assert version == 10
        at += length
        messages += 1
    assert (at, messages) == (len(raw), 1 + 42)  # a template and 42 messages for 1008 records
    assert write_bulk(tmp_path / "b.ipfix", 1000, seed=3).read_bytes() == raw
    assert write_bulk(tmp_path / "c.ipfix", 1000, seed=4).read_bytes() != raw
