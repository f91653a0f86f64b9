"""NetFlow v5 packets with flows of known figures (layout: common practice, no source), for tests of whole
exports.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass

from tests.collector.readers.builders import EXPORT_TIME


@dataclass(frozen=True)
class Flow:
    """A flow of one minute that ended when it was exported."""

    octets: int
    packets: int = 1
    ingress: int = 1
    egress: int = 2
    source_port: int = 40_000
    duration_ms: int = 60_000


def packet(flows: Sequence[Flow], sequence: int = 0, at: int = EXPORT_TIME, engine: int = 0) -> bytes:
    """A v5 packet sent at second `at`; the exporter booted a million milliseconds before."""
    uptime = 1_000_000
    header = struct.pack(">HHIIIIHH", 5, len(flows), uptime, at, 0, sequence, engine, 0)
    return header + b"".join(
        struct.pack(
            ">4s4s4sHHIIIIHHBBBBHHBBH",
            bytes([192, 168, 1, 20]),
            bytes([203, 0, 113, 9]),
            bytes(4),
            flow.ingress,
            flow.egress,
            flow.packets,
            flow.octets,
            uptime - flow.duration_ms,
            uptime,
            flow.source_port,
            443,
            0,
            0x1B,
            6,
            0,
            *(0,) * 5,
        )
        for flow in flows
    )
