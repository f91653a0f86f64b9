"""The narrow shape between readers and the decoder: one export message and the session it belongs to."""

from __future__ import annotations

from typing import Literal, NamedTuple

Transport = Literal["udp", "tcp", "sctp", "file"]


class Session(NamedTuple):
    """A transport session (RFC 7011 2, 8.1): templates and sequence numbers never cross it.

    Addresses are 16 octets, IPv4 mapped; all zero and port 0 where the container does not say (an IPFIX file).
    connection numbers the TCP connections of the same ports, and files.
    """

    exporter: bytes
    port: int
    collector: bytes
    collector_port: int
    transport: Transport
    connection: int = 0


class Datagram(NamedTuple):
    """One export message.

    payload: the message (a UDP payload, or one IPFIX message cut from a stream or file).
    time_ms: capture time, ms since 1970 UTC; None where the container has none.
    offset: octets from the (decompressed) start of the file, for error messages.
    """

    session: Session
    payload: bytes
    time_ms: int | None
    offset: int
