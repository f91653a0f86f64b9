"""Exports of millions of records, quickly: for benchmarks, where the number and the form of records is the point.

Every record is one IPv4 template of exactly 56 octets (IPFIX and NetFlow v9) or 48 (v5), 24 a message, so whole messages
are one numpy structured type and leave as one block of octets. The traffic is a plausible mixture of short and long flows
of some hundred hosts over one day on one link; nobody complains of anything.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from flowdiag.durations import DAY_MS

Protocol = Literal["netflow5", "netflow9", "ipfix"]
PER_MESSAGE: Final = 24
DAY_START_MS: Final = 1_772_496_000_000  # 2026-03-03T00:00:00Z
BOOT_BEFORE_MS: Final = 3_600_000
CHUNK_MESSAGES: Final = 20_000  # messages made at a time: about 27 MB of octets
TEMPLATE_ID: Final = 256
EXPORTER, COLLECTOR = bytes([192, 0, 2, 10]), bytes([192, 0, 2, 250])
LAN_INTERFACE, LINK_INTERFACE = 1, 2
OUTSIDE_COUNT: Final = 60_000

# (element, octets, column); 56 octets of record in both protocols.
_KEYS: Final = [(8, 4, "src"), (12, 4, "dst"), (7, 2, "src_port"), (11, 2, "dst_port"), (4, 1, "protocol"),
                (5, 1, "tos"), (6, 1, "flags"), (136, 1, "end_reason")]  # fmt: skip
_IPFIX_FIELDS: Final = [*_KEYS, (10, 4, "ingress"), (14, 4, "egress"), (1, 8, "octets"), (2, 8, "packets"),
                        (152, 8, "start_ms"), (153, 8, "end_ms")]  # fmt: skip
_V9_FIELDS: Final = [*_KEYS, (10, 4, "ingress"), (14, 4, "egress"), (1, 8, "octets"), (2, 8, "packets"),
                     (22, 4, "start_up"), (21, 4, "end_up"), (16, 4, "zero"), (17, 4, "zero2")]  # fmt: skip
_V5_FIELDS: Final = [(0, 4, "src"), (0, 4, "dst"), (0, 4, "zero"), (0, 2, "ingress"), (0, 2, "egress"),
                     (0, 4, "packets"), (0, 4, "octets"), (0, 4, "start_up"), (0, 4, "end_up"), (0, 2, "src_port"),
                     (0, 2, "dst_port"), (0, 1, "zero2"), (0, 1, "flags"), (0, 1, "protocol"), (0, 1, "tos"),
                     (0, 8, "zero3")]  # fmt: skip
_FIELDS: Final = {"ipfix": _IPFIX_FIELDS, "netflow9": _V9_FIELDS, "netflow5": _V5_FIELDS}
# Fixed-width headers as (name, type); the set header of IPFIX and v9 stands at their end.
_HEADERS: Final[dict[str, list[tuple[str, str]]]] = {
    "ipfix": [("version", ">u2"), ("length", ">u2"), ("clock", ">u4"), ("sequence", ">u4"), ("domain", ">u4"),
              ("set_id", ">u2"), ("set_length", ">u2")],
    "netflow9": [("version", ">u2"), ("count", ">u2"), ("uptime", ">u4"), ("clock", ">u4"), ("sequence", ">u4"),
                 ("domain", ">u4"), ("set_id", ">u2"), ("set_length", ">u2")],
    "netflow5": [("version", ">u2"), ("count", ">u2"), ("uptime", ">u4"), ("clock", ">u4"), ("rest", ">u4"),
                 ("sequence", ">u4"), ("engine", ">u2"), ("sampling", ">u2")],
}  # fmt: skip
_VERSIONS: Final = {"ipfix": 10, "netflow9": 9, "netflow5": 5}


def write_bulk(
    path: str | Path,
    records: int,
    protocol: Protocol = "ipfix",
    seed: int = 1,
    *,
    hosts: int = 200,
    span_ms: int = DAY_MS,
    pcap: bool | None = None,
) -> Path:
    """Writes an export of so many records (rounded up to whole messages of 24) over span_ms.

    pcap: as UDP datagrams in a classic pcap instead of messages one after another; None: unless protocol is ipfix.
    The same arguments give the same octets. The link is ifIndex 2; hosts are 10.0.0.0/16.
    """
    rng = np.random.Generator(np.random.PCG64(seed))
    in_pcap = protocol != "ipfix" if pcap is None else pcap
    messages = -(-records // PER_MESSAGE)
    with Path(path).open("wb") as out:
        if in_pcap:
            out.write(np.array([0xA1B2C3D4, 2 | 4 << 16, 0, 0, 65535, 1], "<u4").tobytes())
        if protocol != "netflow5":
            out.write(_announcement(protocol, in_pcap))
        for first in range(0, messages, CHUNK_MESSAGES):
            count = min(CHUNK_MESSAGES, messages - first)
            block = _messages(protocol, first, count, messages, span_ms, hosts, rng)
            out.write((_in_pcap(block, protocol) if in_pcap else block).tobytes())
    return Path(path)


def _message_type(protocol: str) -> Any:
    record = np.dtype([(name, f"V{width}" if width > 4 and name == "zero3" else f">u{width}")
                       for _, width, name in _FIELDS[protocol]])  # fmt: skip
    return np.dtype([*_HEADERS[protocol], ("records", record, PER_MESSAGE)])


def _messages(
    protocol: str, first: int, count: int, total: int, span_ms: int, hosts: int, rng: Generator
) -> NDArray[Any]:
    """count whole messages, numbers first to first + count of total."""
    block = np.zeros(count, _message_type(protocol))
    number = first + np.arange(count)
    export_ms = DAY_START_MS + (number + 1) * span_ms // total
    block["version"], block["clock"] = _VERSIONS[protocol], export_ms // 1000
    uptime = export_ms - DAY_START_MS + BOOT_BEFORE_MS
    # v9 counts packets, from 1 after the announcement; IPFIX and v5 count records (RFC 3954 5.1, RFC 7011 3.1).
    block["sequence"] = number + 1 if protocol == "netflow9" else number * PER_MESSAGE
    if protocol == "ipfix":
        block["length"] = block.dtype.itemsize
    else:
        block["count"], block["uptime"] = PER_MESSAGE, uptime
    if protocol != "netflow5":
        block["domain"], block["set_id"] = 1, TEMPLATE_ID
        block["set_length"] = 4 + block.dtype["records"].itemsize
    else:
        block["rest"] = export_ms % 1000 * 1_000_000
    _fill(block["records"], export_ms[:, None], rng, hosts)
    return block


def _fill(records: NDArray[Any], export_ms: NDArray[np.int64], rng: Generator, hosts: int) -> None:
    """Flows of every size, half of them downloads; octets per flow are log-normal, durations up to a minute."""
    shape = records.shape
    down = rng.random(shape, np.float32) < 0.5
    inside = np.uint32(10 << 24) + rng.integers(1, hosts + 1, shape, np.uint32)
    outside = np.uint32(198 << 24 | 18 << 16) + rng.integers(0, OUTSIDE_COUNT, shape, np.uint32)
    client = rng.integers(49152, 65535, shape, np.uint16)
    server = np.array([443, 443, 443, 80, 53, 587, 123, 8443], np.uint16)[rng.integers(0, 8, shape, np.uint8)]
    records["src"], records["dst"] = np.where(down, outside, inside), np.where(down, inside, outside)
    records["src_port"], records["dst_port"] = np.where(down, server, client), np.where(down, client, server)
    records["protocol"] = np.where((server == 53) | (server == 123), 17, 6)
    records["flags"] = np.where(records["protocol"] == 6, 0x1B, 0)
    packets = np.exp(rng.standard_normal(shape, np.float32) * 1.3 + 1.5).astype(np.uint32) + 1
    records["packets"] = packets
    records["octets"] = packets * np.where(down, 1200, 120)
    records["ingress"] = np.where(down, LINK_INTERFACE, LAN_INTERFACE)
    records["egress"] = np.where(down, LAN_INTERFACE, LINK_INTERFACE)
    end = export_ms - rng.integers(0, 1000, shape, np.int64)
    duration = np.minimum(rng.standard_exponential(shape, np.float32) * 8000, 60_000).astype(np.int64)
    start = np.maximum(end - duration, DAY_START_MS)
    end = np.maximum(end, start)
    names = records.dtype.names or ()
    if "end_reason" in names:
        records["end_reason"] = np.where(duration == 60_000, 2, 3)
    if "start_ms" in names:
        records["start_ms"], records["end_ms"] = start, end
    else:
        records["start_up"] = start - DAY_START_MS + BOOT_BEFORE_MS
        records["end_up"] = end - DAY_START_MS + BOOT_BEFORE_MS


def _announcement(protocol: str, in_pcap: bool) -> bytes:
    """The template message."""
    fields = _FIELDS[protocol]
    body = np.array(
        [TEMPLATE_ID, len(fields), *(part for field in fields for part in field[:2])], ">u2"
    ).tobytes()
    set_header = np.array([2 if protocol == "ipfix" else 0, 4 + len(body)], ">u2").tobytes()
    head = np.zeros(1, _HEADERS[protocol][:-2])
    head["version"], head["clock"], head["domain"] = _VERSIONS[protocol], DAY_START_MS // 1000, 1
    if protocol == "ipfix":
        head["length"] = head.dtype.itemsize + 4 + len(body)
    else:
        head["count"], head["uptime"] = 1, BOOT_BEFORE_MS
    message = head.tobytes() + set_header + body
    if not in_pcap:
        return message
    framed = np.zeros(
        1, np.dtype([*_HEADERS[protocol], ("records", f"V{len(message) - _header_width(protocol)}")])
    )
    raw = np.frombuffer(message, framed.dtype)
    return _in_pcap(raw, protocol).tobytes()


def _header_width(protocol: str) -> int:
    return int(np.dtype(_HEADERS[protocol]).itemsize)


def _in_pcap(block: NDArray[Any], protocol: str) -> NDArray[Any]:
    """Each message in a pcap record: Ethernet, IPv4, UDP. All messages have one size, so the headers are one type."""
    size = block.dtype.itemsize
    layout = np.dtype([
        ("seconds", "<u4"), ("micro", "<u4"), ("captured", "<u4"), ("original", "<u4"), ("macs", "u1", 12),
        ("ethertype", ">u2"), ("version", "u1"), ("tos", "u1"), ("length", ">u2"), ("identification", ">u2"),
        ("fragment", ">u2"), ("ttl", "u1"), ("protocol", "u1"), ("checksum", ">u2"), ("source", "u1", 4),
        ("target", "u1", 4), ("sport", ">u2"), ("dport", ">u2"), ("udp_length", ">u2"), ("udp_checksum", ">u2"),
        ("message", block.dtype),
    ])  # fmt: skip
    framed = np.zeros(len(block), layout)
    framed["seconds"] = block["clock"]
    framed["captured"] = framed["original"] = 14 + 20 + 8 + size
    framed["macs"] = np.frombuffer(bytes.fromhex("020000000001020000000002"), np.uint8)
    framed["ethertype"], framed["version"], framed["ttl"], framed["protocol"] = 0x0800, 0x45, 64, 17
    framed["length"], framed["udp_length"] = 28 + size, 8 + size
    framed["identification"] = np.arange(len(block)) & 0xFFFF
    framed["source"], framed["target"] = np.frombuffer(EXPORTER, np.uint8), np.frombuffer(COLLECTOR, np.uint8)
    framed["sport"], framed["dport"] = 50001, 2055
    # RFC 1071: one's complement of the one's complement sum; only length and identification differ.
    words = (
        0x4500 + 0x4011 + sum(int.from_bytes(part) for a in (EXPORTER, COLLECTOR) for part in (a[:2], a[2:]))
    )
    total = words + framed["length"].astype(np.int64) + framed["identification"]
    total = (total & 0xFFFF) + (total >> 16)
    total = (total & 0xFFFF) + (total >> 16)
    framed["checksum"] = ~total & 0xFFFF
    framed["message"] = block
    return framed
