"""The walk over one message: header, then sets, checked before any of them acts.

Facts the design follows:
- IPFIX gives its own length; v9 ends with its datagram; v5 has count records of 48 octets
  (RFC 7011 3.1, RFC 3954 5.1, common practice);
- only the length of a set leads to the next (RFC 7011 3.3.2); a set shorter than its header or longer than
  its message makes the whole message malformed (RFC 7011 9.1), in v9 the datagram by analogy;
- one to three octets after the last set are ignored (common practice); v9's count is of records, but some
  exporters count FlowSets, so it decides nothing.
"""

from __future__ import annotations

from struct import Struct
from typing import Final, NamedTuple

from flowdiag.collector.decode.malformed import Malformed

IPFIX: Final = 10
NETFLOW9: Final = 9
NETFLOW5: Final = 5

IPFIX_HEADER: Final = 16
NETFLOW9_HEADER: Final = 20
NETFLOW5_HEADER: Final = 24
NETFLOW5_RECORD: Final = 48
# The part of a message that is kept to evaluate its header: long enough for all three.
HEADER_KEPT: Final = 24

_VERSION: Final = Struct(">H").unpack_from
_IPFIX: Final = Struct(">2xHIII").unpack_from
_NETFLOW9: Final = Struct(">2xHIIII").unpack_from
_NETFLOW5: Final = Struct(">2xHIIIIBBH").unpack_from
_SET: Final = Struct(">HH").unpack_from


class SetBounds(NamedTuple):
    """A set: its id, and the octets [start, end) of its content in the message."""

    id: int
    start: int
    end: int


class Header(NamedTuple):
    """version 10, 9 or 5; domain: observation domain, source id, or engine type * 256 + engine id (v5);
    promised: records by the header, v9 and v5 only; sampling: the sampling word of a v5 header, else 0; sets: empty for v5."""

    version: int
    sequence: int
    domain: int
    promised: int
    export_ms: int
    sampling: int
    sets: list[SetBounds]


def read_header(payload: bytes) -> Header:
    """Header and sets of a message. Raises Malformed, also for a message of another protocol."""
    version = _VERSION(payload)[0] if len(payload) >= 2 else 0
    if version == IPFIX:
        _need(payload, IPFIX_HEADER)
        length, seconds, sequence, domain = _IPFIX(payload)
        if not IPFIX_HEADER <= length <= len(payload):
            raise Malformed("its length is below 16 or beyond its end", 2)
        return Header(IPFIX, sequence, domain, 0, seconds * 1000, 0, _sets(payload, IPFIX_HEADER, length))
    if version == NETFLOW9:
        _need(payload, NETFLOW9_HEADER)
        count, _, seconds, sequence, domain = _NETFLOW9(payload)
        sets = _sets(payload, NETFLOW9_HEADER, len(payload))
        return Header(NETFLOW9, sequence, domain, count, seconds * 1000, 0, sets)
    if version == NETFLOW5:
        _need(payload, NETFLOW5_HEADER)
        count, _, seconds, nanoseconds, sequence, engine_type, engine_id, sampling = _NETFLOW5(payload)
        _need(payload, NETFLOW5_HEADER + NETFLOW5_RECORD * count)
        export_ms = seconds * 1000 + min(nanoseconds, 999_999_999) // 1_000_000
        return Header(NETFLOW5, sequence, engine_type * 256 + engine_id, count, export_ms, sampling, [])
    raise Malformed("neither IPFIX nor NetFlow v9 nor NetFlow v5")


def _need(payload: bytes, octets: int) -> None:
    if len(payload) < octets:
        raise Malformed("it is cut short")


def _sets(payload: bytes, position: int, end: int) -> list[SetBounds]:
    sets = []
    while end - position >= 4:
        number, length = _SET(payload, position)
        if not 4 <= length <= end - position:
            raise Malformed("a set is shorter than its header or longer than its message", position)
        sets.append(SetBounds(number, position + 4, position + length))
        position += length
    return sets
