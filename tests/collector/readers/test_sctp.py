"""IPFIX over SCTP in captures. RFC 7011 10.2; scapy writes the chunks."""

from __future__ import annotations

from scapy.layers.inet import IP
from scapy.layers.sctp import SCTP, SCTPChunkData, SCTPChunkSACK

from flowdiag.collector.readers import sctp

from .builders import ipfix, payloads, problems, read
from .builders import pcap as capture


def packet(*chunks: SCTPChunkData) -> bytes:
    layers = IP(src="192.0.2.9", dst="192.0.2.2") / SCTP(sport=40_000, dport=4_739)
    for chunk in chunks:
        layers = layers / chunk
    return bytes(layers)


def data(octets: bytes, beginning: int = 1, ending: int = 1) -> SCTPChunkData:
    return SCTPChunkData(data=octets, beginning=beginning, ending=ending)


def test_each_whole_chunk_is_a_message() -> None:
    octets = capture([packet(SCTPChunkSACK(), data(ipfix(0, b"odd"))), packet(data(ipfix(1)))], link_type=101)
    datagrams, _ = read(octets)
    assert [d.payload for d in datagrams] == [ipfix(0, b"odd"), ipfix(1)]
    assert datagrams[0].session[1:] == (40_000, datagrams[0].session.collector, 4_739, "sctp", 0)


def test_a_message_cut_over_chunks_is_counted() -> None:
    octets = capture([packet(data(ipfix(0), ending=0)), packet(data(ipfix(1)))], link_type=101)
    assert payloads(octets) == [ipfix(1)]
    assert [what for _, what, _ in problems(octets)] == [sctp.SPLIT]
