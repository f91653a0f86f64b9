"""How long an export message is and whether octets look like one, from its headers alone.

Facts (RFC 7011 3.1, 3.3.2; RFC 3954 5.1, 5.2; NetFlow v5: common practice, no source):
- the first two octets are the version: 5, 9 or 10;
- IPFIX gives its length in octets 2 and 3, header of 16 octets included;
- v5 is 24 octets and 48 for each of 1 to 30 records;
- v9 gives no length: its FlowSets must be walked. FlowSet ids 2 to 255 are reserved, so two octets that read
  5, 9 or 10 where a FlowSet should start are the version of the next message. Another file may follow too.
"""

from __future__ import annotations

from collections.abc import Callable
from struct import Struct
from typing import Final

from flowdiag.collector.readers.beginnings import FIRST_WORDS, NEEDED, begins

NETFLOW5: Final = 5
NETFLOW9: Final = 9
IPFIX: Final = 10
VERSIONS: Final = frozenset((NETFLOW5, NETFLOW9, IPFIX))

NETFLOW5_HEADER: Final = 24
NETFLOW5_RECORD: Final = 48
NETFLOW5_MAX_RECORDS: Final = 30
NETFLOW9_HEADER: Final = 20
IPFIX_HEADER: Final = 16
MAX_MESSAGE: Final = 65_535  # RFC 7011 10; also the most that UDP carries

# A v9 message of this many FlowSets is no real export.
MAX_NETFLOW9_SETS: Final = 2_048

# An exporter whose clock is this near to the capture's is believed although its message is damaged.
CLOCK_EVIDENCE_S: Final = 86_400

# Answers of message_length that are no length.
DAMAGED: Final = 0
MORE_NEEDED: Final = -1

_TWO_SHORTS: Final[Callable[[bytes | bytearray, int], tuple[int, int]]] = Struct(">HH").unpack_from
_SECONDS: Final = Struct(">I").unpack_from


def message_length(data: bytes, start: int, end: int, *, final: bool, walked: set[int] | None = None) -> int:
    """Octets of the message at start by its headers, judged by data[start:end].

    final: nothing follows data[end]. Gives DAMAGED if no message starts here, MORE_NEEDED if the octets do
    not suffice to say. The length may reach beyond end.

    walked: where FlowSets started in earlier calls on the same data that led nowhere. A search passes it so
    that hostile octets, in which each candidate shares its FlowSets with the one before, are walked once.
    """
    if end - start < 4:
        return DAMAGED if final else MORE_NEEDED
    version, second = _TWO_SHORTS(data, start)
    if version == IPFIX:
        return second if second >= IPFIX_HEADER else DAMAGED
    if version == NETFLOW5:
        if not 1 <= second <= NETFLOW5_MAX_RECORDS:
            return DAMAGED
        return NETFLOW5_HEADER + NETFLOW5_RECORD * second
    if version == NETFLOW9:
        return _netflow9_length(data, start, end, final, walked)
    return DAMAGED


def _netflow9_length(data: bytes, start: int, end: int, final: bool, walked: set[int] | None) -> int:
    position = start + NETFLOW9_HEADER
    for _ in range(MAX_NETFLOW9_SETS):
        if end - position < 4:
            if not final:
                return MORE_NEEDED
            # Up to three octets after the last FlowSet are padding (common practice).
            return max(end, start + NETFLOW9_HEADER) - start
        set_id, length = _TWO_SHORTS(data, position)
        if set_id in VERSIONS:
            return position - start
        if set_id in FIRST_WORDS:
            if not final and end - position < NEEDED:
                return MORE_NEEDED
            if begins(data, position, end):
                return position - start
        if length < 4 or 2 <= set_id < 256 or position + length - start > MAX_MESSAGE:
            return DAMAGED
        if walked is not None:
            if position in walked:
                return DAMAGED
            walked.add(position)
        position += length
        if position > end:
            return position - start if final else MORE_NEEDED
    return DAMAGED


def sets_fit(data: bytes, start: int, end: int) -> bool:
    """Whether the IPFIX sets of the message data[start:end] end exactly where the message does."""
    position = start + IPFIX_HEADER
    while end - position >= 4:
        _, length = _TWO_SHORTS(data, position)
        if length < 4:
            return False
        position += length
    return position == end


def looks_like_export(payload: bytes, time_ms: int | None) -> bool:
    """Whether a UDP payload of a sender not seen before is a flow export.

    Two kinds of evidence, either suffices: the structure agrees with the payload's length, or the export time
    in the header lies within a day of the capture time (so that a damaged message is still counted as one).
    DNS with an id of 5, 9 or 10 passes neither: its flags are no length and its counts are no clock.
    """
    size = len(payload)
    if size < IPFIX_HEADER:
        return False
    version, second = _TWO_SHORTS(payload, 0)
    if version == IPFIX:
        if second == size:
            return True
        exported = _SECONDS(payload, 4)[0]
    elif version == NETFLOW5 and size >= NETFLOW5_HEADER:
        if 1 <= second <= NETFLOW5_MAX_RECORDS and size == NETFLOW5_HEADER + NETFLOW5_RECORD * second:
            return True
        exported = _SECONDS(payload, 8)[0]
    elif version == NETFLOW9 and size >= NETFLOW9_HEADER:
        exported = _SECONDS(payload, 8)[0]
        if second and size > NETFLOW9_HEADER and _netflow9_length(payload, 0, size, True, None) == size:
            return True
    else:
        return False
    return time_ms is not None and abs(int(exported) - time_ms // 1000) <= CLOCK_EVIDENCE_S


def begins_ipfix_message(data: bytes | bytearray, start: int, end: int) -> bool:
    """Whether data[start:end] (at least 16 octets) begins a plausible IPFIX message.

    Header and first set agree.
    """
    if end - start < IPFIX_HEADER:
        return False
    version, length = _TWO_SHORTS(data, start)
    if version != IPFIX or length < IPFIX_HEADER:
        return False
    if length == IPFIX_HEADER or end - start < IPFIX_HEADER + 4:
        return True
    set_id, set_length = _TWO_SHORTS(data, start + IPFIX_HEADER)
    return (set_id in (2, 3) or set_id >= 256) and 4 <= set_length <= length - IPFIX_HEADER


def begins_message(data: bytes, start: int, end: int) -> bool:
    """Whether data[start:end] begins a plausible export message: header and first set agree. 28 octets suffice."""
    if end - start < IPFIX_HEADER:
        return False
    version, second = _TWO_SHORTS(data, start)
    if version == NETFLOW5:
        return end - start >= NETFLOW5_HEADER and 1 <= second <= NETFLOW5_MAX_RECORDS
    if version == NETFLOW9:
        if end - start < NETFLOW9_HEADER + 4:
            return False
        set_id, length = _TWO_SHORTS(data, start + NETFLOW9_HEADER)
        return (set_id in (0, 1) or set_id >= 256) and length >= 4
    return begins_ipfix_message(data, start, end)
