"""IPFIX over SCTP in a capture (RFC 7011 10.2): one message in each unfragmented DATA chunk.

Chunk layout: RFC 9260 3.2 and 3.3.1 (from memory). Retransmitted chunks repeat a message; the decoder counts
copies once. A message cut over several chunks is left out, which RFC 7011 10.2.4 makes rare: messages should
fit.
"""

from __future__ import annotations

from struct import Struct
from typing import Final

from flowdiag.collector.datagram import Datagram, Session
from flowdiag.collector.readers.framing import begins_ipfix_message
from flowdiag.collector.readers.session_table import split_key
from flowdiag.collector.readers.source import Source

SPLIT: Final = "SCTP messages cut over several chunks were left out"

_COMMON_HEADER: Final = 12
_DATA: Final = 0
_DATA_HEADER: Final = 16
_WHOLE: Final = 0x03  # begin and end of the message

_CHUNK: Final = Struct(">BBH").unpack_from


def messages_of_sctp(
    addresses: bytes, packet: bytes, time_ms: int | None, offset: int, source: Source
) -> list[Datagram]:
    """The IPFIX messages in one SCTP packet; offset in octets of the file, of the packet's first octet."""
    messages: list[Datagram] = []
    position = _COMMON_HEADER
    while position + 4 <= len(packet):
        kind, flags, length = _CHUNK(packet, position)
        end = position + length
        if length < 4 or end > len(packet):
            break
        body = position + _DATA_HEADER
        if kind == _DATA and begins_ipfix_message(packet, body, end):
            if flags & _WHOLE == _WHOLE:
                exporter, collector, port, collector_port = split_key(addresses + packet[:4])
                session = Session(exporter, port, collector, collector_port, "sctp")
                messages.append(Datagram(session, packet[body:end], time_ms, offset + body))
            else:
                source.problem(offset + body, SPLIT)
        position = end + -length % 4
    return messages
