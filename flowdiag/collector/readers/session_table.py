"""The transport sessions seen in captures.

Each Session made once, found by the raw octets of its addresses.
"""

from __future__ import annotations

from typing import Final

from flowdiag.addresses import V4_PREFIX
from flowdiag.collector.datagram import Session

# A site has a handful of exporters; a capture that forges more senders than this starts the table afresh.
MAX_SESSIONS: Final = 65_536

# Source and destination address and port as they stand one after another in the packet.


class SessionTable:
    """UDP sessions by key: 12 octets for IPv4 (addresses 4 + 4, ports 2 + 2), 36 for IPv6."""

    def __init__(self) -> None:
        self.known: dict[bytes, Session] = {}

    def add(self, key: bytes) -> Session:
        """The session of a key, made and remembered if it is new."""
        if len(self.known) >= MAX_SESSIONS:
            self.known.clear()
        session = self.known[key] = udp_session(key)
        return session


def udp_session(key: bytes) -> Session:
    source, destination, source_port, destination_port = split_key(key)
    return Session(source, source_port, destination, destination_port, "udp")


def split_key(key: bytes) -> tuple[bytes, bytes, int, int]:
    """Addresses as 16 octets and ports of a key."""
    width = (len(key) - 4) // 2
    source, destination = key[:width], key[width : 2 * width]
    if width == 4:
        source, destination = V4_PREFIX + source, V4_PREFIX + destination
    return source, destination, int.from_bytes(key[-4:-2], "big"), int.from_bytes(key[-2:], "big")
