"""NetFlow v5 datagrams: a 24-octet header and up to 30 records of 48 octets. IPv4 only; no RFC defines it
(common practice).

flow_sequence counts the records in all datagrams before this one; times are milliseconds of router uptime,
anchored by the header's uptime and Unix time; the sampling interval stands in the low 14 bits of the header's
last two octets.
"""

from __future__ import annotations

import struct
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.scenario.exporting import Exporting, Message, plan_messages
from flowdiag.scenario.transfers import is_v4

_HEADER: Final = struct.Struct("!HHIIIIBBH")
_RECORD: Final = np.dtype(
    [
        ("src", "u1", 4), ("dst", "u1", 4), ("next_hop", ">u4"), ("input", ">u2"), ("output", ">u2"),
        ("packets", ">u4"), ("octets", ">u4"), ("first", ">u4"), ("last", ">u4"), ("src_port", ">u2"),
        ("dst_port", ">u2"), ("pad1", "u1"), ("flags", "u1"), ("protocol", "u1"), ("tos", "u1"), ("src_as",
        ">u2"),
        ("dst_as", ">u2"), ("src_mask", "u1"), ("dst_mask", "u1"), ("pad2", ">u2"),
    ]
)  # fmt: skip
MOST_RECORDS: Final = 30
RANDOM_SAMPLING: Final = 2 << 14  # mode in the top two bits
UPTIME_MODULUS: Final = 1 << 32
LARGEST_COUNT: Final = (1 << 32) - 1


def encode(
    records: NDArray[Any],
    addresses: NDArray[np.uint8],
    exporting: Exporting,
    start_ms: int,
    end_ms: int,
    sampling: int = 1,
    names: dict[int, str] | None = None,
) -> list[Message]:
    """Datagrams of the IPv4 records (dtype RECORD, in order of export). names: v5 has no place for them."""
    v4 = is_v4(addresses)
    records = within_counters(records[v4[records["src"]] & v4[records["dst"]]])
    boot_ms = start_ms - exporting.uptime_ms
    packed = _pack(records, addresses, exporting, boot_ms)
    sequence = exporting.first_sequence
    messages = []
    per_message = min(exporting.records_per_message, MOST_RECORDS)
    sampled = RANDOM_SAMPLING | sampling if sampling > 1 else 0
    for batch in _batches(records, exporting, per_message, start_ms, end_ms):
        time_ms, first, last = batch
        clock = time_ms + exporting.clock_offset_ms
        header = _HEADER.pack(
            5, last - first, (time_ms - boot_ms) % UPTIME_MODULUS, clock // 1000, clock % 1000 * 1_000_000,
            sequence % UPTIME_MODULUS, 0, exporting.domain & 0xFF, sampled,
        )  # fmt: skip
        messages.append(Message(time_ms, header + packed[first * _RECORD.itemsize : last * _RECORD.itemsize]))
        sequence += last - first
    return messages


def within_counters(records: NDArray[Any]) -> NDArray[Any]:
    """Records whose octets fit the 32-bit counter: a router exports a flow early rather than let it wrap.

    Larger ones are cut into parts of equal time and size; octets and packets stay the same in all.
    """
    parts = np.maximum(-(-records["octets"].astype(np.int64) // LARGEST_COUNT), 1)
    if len(records) == 0 or parts.max() == 1:
        return records
    which = np.repeat(np.arange(len(records)), parts)
    nth = np.arange(len(which)) - np.repeat(np.cumsum(parts) - parts, parts)
    whole, share = records[which], parts[which]
    cut = whole.copy()
    duration = whole["end"] - whole["start"]
    cut["start"] = whole["start"] + duration * nth // share
    cut["end"] = whole["start"] + duration * (nth + 1) // share
    for counter in ("octets", "packets"):
        total = whole[counter].astype(np.int64)
        cut[counter] = total * (nth + 1) // share - total * nth // share
    return cut


def _batches(
    records: NDArray[Any], exporting: Exporting, per_message: int, start_ms: int, end_ms: int
) -> list[tuple[int, int, int]]:
    out = []
    for batch in plan_messages(records, exporting, start_ms, end_ms):
        out += [
            (batch.time_ms, first, min(first + per_message, batch.last))
            for first in range(batch.first, batch.last, per_message)
        ]
    return out


def _pack(records: NDArray[Any], addresses: NDArray[np.uint8], exporting: Exporting, boot_ms: int) -> bytes:
    packed = np.zeros(len(records), _RECORD)
    packed["src"], packed["dst"] = addresses[records["src"], 12:], addresses[records["dst"], 12:]
    if exporting.interfaces:
        packed["input"], packed["output"] = records["ingress"], records["egress"]
    packed["packets"], packed["octets"] = records["packets"], records["octets"]
    packed["first"] = (records["start"] - boot_ms) % UPTIME_MODULUS
    packed["last"] = (records["end"] - boot_ms) % UPTIME_MODULUS
    packed["src_port"], packed["dst_port"] = records["src_port"], records["dst_port"]
    packed["flags"], packed["protocol"] = records["flags"], records["protocol"]
    packed["tos"] = records["dscp"] << 2
    return packed.tobytes()
