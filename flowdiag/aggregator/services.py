"""Which end of a flow is the service, so that neither a client's high port nor a coincidence names it.

Evidence, strongest first:
- a TCP record with SYN and without ACK (RFC 9293 3.5): its destination is what was called;
- port ranges of RFC 6335 6: system ports 0 to 1023 belong to services, user ports 1024 to 49151 to those that
  registered, dynamic ports 49152 to 65535 to clients; many clients take 32768 and up (common practice);
- a port that talks with several different ports (common practice): clients of a service come from ports of
  their own, while what a client calls on several servers is one port;
Each end gets points; the end that leads by LEAD is the service. Equal ports (NTP, IKE) name the service, not the end.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.applications import TCP, UDP, Catalogue
from flowdiag.aggregator.conversation_keys import mixed
from flowdiag.aggregator.records import Records

SYN, ACK = 0x02, 0x10  # RFC 9293 3.1
ICMP, ICMPV6 = 1, 58
ECHO_REPLY, ECHO_REQUEST = 0, 8 << 8  # RFC 792: type * 256 + code as it stands in the destination port
ECHO_REQUEST_V6, ECHO_REPLY_V6 = 128 << 8, 129 << 8  # RFC 4443 4

SYSTEM_PORTS: Final = 1_024
CLIENT_PORTS: Final = 32_768
DYNAMIC_PORTS: Final = 49_152

# Services over UDP whose every request wants an answer, so that silence is a failure: names, Kerberos, time, SNMP,
# CLDAP, QUIC, IKE and IPsec past NAT, OpenVPN, RADIUS, STUN, SIP, WireGuard (ports by convention). Logs, telemetry and
# traps are not among them, since nobody answers those.
REQUEST_PORTS: Final = (
    53, 88, 123, 161, 389, 443, 500, 1194, 1645, 1812, 1813, 3478, 4500, 5060, 51820,
)  # fmt: skip

# Points of a port by itself.
SYSTEM_KNOWN, SYSTEM_OTHER, USER_KNOWN, CLIENT_KNOWN, USER_OTHER, CLIENT_OTHER = 9, 8, 5, 4, 1, 0
NO_PORT: Final = -1
# Points on top.
CALLED: Final = 20  # this very record is a SYN to it
CALLED_BEFORE: Final = 12  # some record was
TALKS_WITH_MANY: Final = 5
MANY: Final = 4

LEAD: Final = 1
SURE_LEAD: Final = 3  # from here on the ends' roles are known, not only the name

# Ends remembered; a flood has more, but its ends are decided by their ports.
MAX_CALLED: Final = 500_000
MAX_PAIRS: Final = 250_000

_PORTS: Final = 65_537  # and one for "unknown"
_SPARSENESS: Final = 4  # slots of a table for each end, at least

UNDECIDED, AT_SRC, AT_DST, AT_BOTH = 0, 1, 2, 3


class Ends(Struct, frozen=True, eq=False):
    """Per record: side (int8: UNDECIDED, AT_SRC, AT_DST, or AT_BOTH for equal ports) and whether roles are certain."""

    side: NDArray[np.int8]
    certain: NDArray[np.bool_]


Points = tuple[NDArray[np.int16], NDArray[np.int16]]


class Services:
    """Learns from all records which ends are services, then tells it for each record."""

    def __init__(self, rules: Catalogue) -> None:
        self._kind = np.zeros(257, np.int32)  # by protocol, the last for -1
        self._kind[TCP], self._kind[UDP] = _PORTS, 2 * _PORTS
        nothing = np.full(_PORTS, NO_PORT, np.int16)
        known = [_port_points(rules.known_ports(number)) for number in (TCP, UDP)]
        self._points = np.concatenate([nothing, *known])
        self._called: list[NDArray[np.uint64]] = []
        self._pairs: list[NDArray[np.uint64]] = []
        self._called_count = 0
        self._pair_count = 0
        self._called_ends = self._busy_ends = _KnownEnds(np.zeros(0, np.uint64))

    def learn(self, records: Records, points: Points | None = None) -> None:
        """Takes note of SYNs, and of who talks with whom where ports alone do not tell. points: as by_ports() gives them."""
        bare = _bare_syn(records)
        if self._called_count < MAX_CALLED and bare.any():
            called = np.unique(_ends(records, np.flatnonzero(bare))[1])
            self._called.append(called)
            self._called_count += len(called)
        if self._pair_count >= MAX_PAIRS:
            return
        src, dst = points or self.by_ports(records)
        open_question = np.flatnonzero(
            (np.abs(src - dst) < TALKS_WITH_MANY + LEAD)
            & (src >= 0)
            & (dst >= 0)
            & (records.src_port != records.dst_port)
        )
        if len(open_question):
            at_src, at_dst = _ends(records, open_question)
            ends = np.concatenate([at_src, at_dst])
            partners = np.concatenate([records.dst_port[open_question], records.src_port[open_question]])
            pairs = _distinct_pairs(mixed(ends, partners), ends)
            self._pairs.append(pairs)
            self._pair_count += pairs.shape[1]

    def settle(self) -> None:
        """Draws together what was learned; call it once, between the last learn() and the first find()."""
        if self._called:
            self._called_ends = _KnownEnds(np.unique(np.concatenate(self._called)))
        if self._pairs:
            ends, partners = np.unique(
                _distinct_pairs(*np.concatenate(self._pairs, axis=1))[1], return_counts=True
            )
            self._busy_ends = _KnownEnds(ends[partners >= MANY])
        self._called, self._pairs = [], []

    def find(self, records: Records, points: Points | None = None) -> Ends:
        """The service end of each record. points: as by_ports() gives them, to be written over."""
        src, dst = points or self.by_ports(records)
        self._add_evidence(records, src, dst)
        lead = dst - src
        either = (src >= 0) & (dst >= 0)
        side = (either & (lead >= LEAD)).astype(np.int8) * np.int8(AT_DST)
        side += (either & (lead <= -LEAD)).astype(np.int8) * np.int8(AT_SRC)
        equal = either & (lead == 0) & (records.src_port == records.dst_port) & (src >= CLIENT_KNOWN)
        side[equal] = AT_BOTH
        return Ends(side, np.abs(lead) >= SURE_LEAD)

    def by_ports(self, records: Records) -> Points:
        """Points of source and destination by their ports alone; NO_PORT where the protocol has none."""
        kind = self._kind.take(records.protocol) + 1
        return self._points.take(kind + records.src_port), self._points.take(kind + records.dst_port)

    def _add_evidence(self, records: Records, src: NDArray[np.int16], dst: NDArray[np.int16]) -> None:
        bare = _bare_syn(records)
        dst += np.int16(CALLED) * bare
        if not len(self._called_ends) and not len(self._busy_ends):
            return
        unsure = np.flatnonzero((np.abs(src - dst) < CALLED_BEFORE) & (src >= 0) & (dst >= 0))
        for known, points in ((self._called_ends, CALLED_BEFORE), (self._busy_ends, TALKS_WITH_MANY)):
            # What leads by more than the points of this evidence is not turned by it.
            rows = unsure[np.abs(src[unsure] - dst[unsure]) < points + LEAD] if len(known) else unsure[:0]
            if len(rows):
                at_src, at_dst = _ends(records, rows)
                src[rows] += np.int16(points) * known.has(at_src)
                dst[rows] += np.int16(points) * known.has(at_dst)


def opened_by_src(records: Records, ends: Ends) -> NDArray[np.int8]:
    """Whether the source opened the conversation: 1 yes, 0 no, -1 not known. Shape [n]."""
    opened = np.array([-1, 0, 1, -1], np.int8).take(
        ends.side * ends.certain
    )  # by UNDECIDED, AT_SRC, AT_DST, AT_BOTH
    for protocol, request, reply in (
        (ICMP, ECHO_REQUEST, ECHO_REPLY),
        (ICMPV6, ECHO_REQUEST_V6, ECHO_REPLY_V6),
    ):
        of_protocol = records.protocol == protocol
        opened[of_protocol & (records.dst_port == request)] = 1
        opened[of_protocol & (records.dst_port == reply)] = 0
    return opened


def _port_points(known: NDArray[np.bool_]) -> NDArray[np.int16]:
    """Points of each port, from -1 (unknown) to 65535; shape [_PORTS]."""
    return _points_of(known.tobytes())


@lru_cache(maxsize=4)
def _points_of(known_ports: bytes) -> NDArray[np.int16]:
    """The same for truth values one after another: a review asks for every day of every site."""
    known = np.frombuffer(known_ports, np.bool_)
    ports = np.arange(65_536)
    points = np.where(
        ports < SYSTEM_PORTS,
        np.where(known, SYSTEM_KNOWN, SYSTEM_OTHER),
        np.where(
            ports < CLIENT_PORTS,
            np.where(known, USER_KNOWN, USER_OTHER),
            np.where(known, CLIENT_KNOWN, CLIENT_OTHER),
        ),
    )
    points[0] = NO_PORT  # reserved: fragments, and what has no port
    return np.concatenate([[NO_PORT], points]).astype(np.int16)


def _bare_syn(records: Records) -> NDArray[np.bool_]:
    flags = records.tcp_flags
    bare: NDArray[np.bool_] = (flags >= 0) & ((flags & (SYN | ACK)) == SYN) & (records.protocol == TCP)
    return bare


def _distinct_pairs(pairs: NDArray[np.uint64], ends: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Each pair once, with its end; shape [2, distinct]."""
    distinct, where = np.unique(pairs, return_index=True)
    return np.stack([distinct, ends[where]])


def _ends(records: Records, rows: NDArray[np.intp]) -> tuple[NDArray[np.uint64], NDArray[np.uint64]]:
    """A hash of each end (address, port, protocol): source and destination."""
    protocol = records.protocol[rows].astype(np.int64)
    src = mixed(records.src[rows].astype(np.int64) << 25 | (records.src_port[rows] + 1) << 8 | protocol)
    dst = mixed(records.dst[rows].astype(np.int64) << 25 | (records.dst_port[rows] + 1) << 8 | protocol)
    return src, dst


class _KnownEnds:
    """Hashes of ends, to be asked for many: most are told by one look into a table of their low bits."""

    def __init__(self, ends: NDArray[np.uint64]) -> None:
        """ends: ascending."""
        self._ends = ends
        self._mask = np.uint64((1 << (_SPARSENESS * max(len(ends), 1)).bit_length()) - 1)
        self._table = np.zeros(int(self._mask) + 1, np.uint64)
        self._table[self._slots(ends)] = ends

    def __len__(self) -> int:
        return len(self._ends)

    def has(self, ends: NDArray[np.uint64]) -> NDArray[np.bool_]:
        """Which of some ends are known. Shape [n]."""
        there = self._table.take(self._slots(ends))
        found: NDArray[np.bool_] = there == ends
        others = np.flatnonzero(~found & (there != 0))  # another end with these low bits is known
        index = np.minimum(np.searchsorted(self._ends, ends[others]), len(self._ends) - 1)
        found[others] = self._ends[index] == ends[others]
        return found

    def _slots(self, ends: NDArray[np.uint64]) -> NDArray[np.intp]:
        return (ends & self._mask).astype(np.intp)
