"""The ledger: every conversation a situation wants, as rows of one numpy table, before any link has limited
it.

A conversation has an inside and an outside end and up to two directions. Four kinds:
- steady: octets and packets of both directions flow evenly from start to end (calls, small web exchanges,
scans);
- bulk down, bulk up: a TCP transfer of so many octets as fast as the link, or its own cap, allows; the other
direction
  carries the acknowledgements (one of 40 octets for two segments, RFC 1122 4.2.3.2; 60 on IPv6);
- train: single packets at stated times (keepalives), kept in a table of their own.
"""

from __future__ import annotations

import ipaddress
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

STEADY: Final = 0
BULK_DOWN: Final = 1
BULK_UP: Final = 2
TRAIN: Final = 3

BY_ROUTE: Final = -1  # leaves by the link that carries the site at the time
LOCAL: Final = -2  # between two LAN hosts, on no link
NO_EGRESS: Final = -3  # tried while no link was there: the router has no interface to send it to

CONVERSATION: Final = np.dtype(
    [
        ("start", "f8"),  # ms since 1970 UTC
        ("end", "f8"),  # ms; ignored for bulk
        ("inside", "i4"),  # index into Ledger.addresses
        ("outside", "i4"),
        ("inside_port", "u2"),
        ("outside_port", "u2"),
        ("protocol", "u1"),
        ("kind", "u1"),
        ("down_octets", "f8"),  # IP octets; for bulk only the data direction counts
        ("up_octets", "f8"),
        ("down_packets", "f8"),
        ("up_packets", "f8"),
        ("cap", "f8"),  # bulk: the most IP octets per second the two ends would do
        ("segment", "f8"),  # bulk: IP octets per data packet
        ("link", "i1"),  # index of a link, or BY_ROUTE, LOCAL, NO_EGRESS
        ("dscp", "u1"),
        ("down_flags", "u1"),
        ("up_flags", "u1"),
        ("application", "i2"),  # index into APPLICATIONS
    ]
)

PACKET: Final = np.dtype([("conversation", "i8"), ("time", "f8"), ("direction", "u1"), ("octets", "f8")])

# Names an exporter with application recognition would give; index 0 is none.
APPLICATIONS: Final = (
    "",
    "web",
    "dns",
    "video-call",
    "file-sync",
    "backup",
    "mail",
    "vpn",
    "ping",
    "streaming",
)

FIN_ALL: Final = 0x1B  # SYN, ACK, PSH and FIN seen (RFC 7125)


class Ledger:
    """Collects conversations and packet trains; addresses are numbered in the order of first use."""

    def __init__(self) -> None:
        self.addresses: list[bytes] = []
        self._numbers: dict[bytes, int] = {}
        self._blocks: list[NDArray[Any]] = []
        self._packets: list[NDArray[Any]] = []
        self.count = 0

    def address(self, text: str) -> int:
        """Number of an address given as text; IPv4 is kept mapped (RFC 4291 2.5.5.2)."""
        parsed = ipaddress.ip_address(text)
        packed = parsed.packed if parsed.version == 6 else bytes(10) + b"\xff\xff" + parsed.packed
        if packed not in self._numbers:
            self._numbers[packed] = len(self.addresses)
            self.addresses.append(packed)
        return self._numbers[packed]

    def add(self, **columns: Any) -> NDArray[np.int64]:
        """Adds conversations; columns are scalars or arrays of one length n. Returns their numbers, shape [n]."""
        length = max(np.size(value) for value in columns.values())
        block = np.zeros(length, CONVERSATION)
        block["link"] = BY_ROUTE
        block["segment"] = 1500
        block["cap"] = np.inf
        for name, value in columns.items():
            block[name] = value
        block["end"] = np.maximum(block["end"], block["start"] + 1)
        self._blocks.append(block)
        first = self.count
        self.count += length
        return np.arange(first, self.count)

    def add_packets(
        self, conversation: int, times: NDArray[np.float64], direction: int, octets: float
    ) -> None:
        """Adds single packets (times in ms) to a train conversation; direction 0 is down, 1 is up."""
        block = np.zeros(len(times), PACKET)
        block["conversation"] = conversation
        block["time"] = times
        block["direction"] = direction
        block["octets"] = octets
        self._packets.append(block)

    def conversations(self) -> NDArray[Any]:
        """All conversations so far, dtype CONVERSATION, shape [count]."""
        return np.concatenate(self._blocks) if self._blocks else np.zeros(0, CONVERSATION)

    def packets(self) -> NDArray[Any]:
        """All train packets so far, dtype PACKET."""
        return np.concatenate(self._packets) if self._packets else np.zeros(0, PACKET)

    def address_table(self) -> NDArray[np.uint8]:
        """All addresses, uint8, shape [addresses, 16]."""
        joined = np.frombuffer(b"".join(self.addresses), np.uint8)
        return joined.reshape(-1, 16)
