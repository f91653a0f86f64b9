"""Which records answer each other: both directions of one conversation, found without a Python call per
record.

A conversation here is (inside address, outside address, inside port, outside port, protocol). ICMP carries
its type where ports stand, and request and reply differ in it, so ICMP conversations are identified by addresses
alone.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.chunks import chunks
from flowdiag.aggregator.concurrently import in_order
from flowdiag.aggregator.conversation_keys import conversation_key
from flowdiag.aggregator.site_flows import DOWN, UP, SiteFlows, select

ICMP: Final = 1
TCP: Final = 6
UDP: Final = 17
ICMPV6: Final = 58
SYN: Final = 0x02  # RFC 9293 3.1
RST: Final = 0x04
ACK: Final = 0x10

# Odd 32-bit multipliers of a quick hash (from memory: golden ratio, MurmurHash3).
_PAIR_FACTORS: Final = (np.uint32(0x9E3779B1), np.uint32(0x85EBCA6B))

# The table has 8 to 16 slots for each key, so that about one in ten others gets through; 64 MiB at most.
_TABLE_SPARSENESS: Final = 8
_MAX_TABLE_BITS: Final = 26


def conversation_keys(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.uint64]:
    """One 64-bit key per row of `rows`, equal for both directions of a conversation. Shape [len(rows)]."""
    return np.concatenate(list(in_order(lambda step: _keys(flows, rows[step]), chunks(len(rows)))))


def service_keys(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.int64]:
    """Outside port << 8 | protocol of each row."""
    return flows.outside_port[rows].astype(np.int64) << 8 | (flows.protocol[rows].astype(np.int64) & 0xFF)


def _keys(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.uint64]:
    protocol = flows.protocol[rows]
    with_ports = (protocol != ICMP) & (protocol != ICMPV6)
    port, other_port = (
        np.where(with_ports, ports[rows], np.int32(-1)) for ports in (flows.inside_port, flows.outside_port)
    )
    return conversation_key(flows.inside[rows], flows.outside[rows], port, other_port, protocol)


def answered(flows: SiteFlows, rows: NDArray[np.intp], *, refusals: bool = True) -> NDArray[np.bool_]:
    """Whether the opposite direction of each row's conversation is in the export too. Shape [len(rows)].

    All rows must run the same way. The time of the answer is not looked at: ports are rarely used twice
    within an export, and a late answer is an answer. refusals: whether a refusal is one too; it is a TCP record
    with RST and without SYN, since whoever accepts sends SYN and ACK first (RFC 9293 3.5).
    """
    if len(rows) == 0:
        return np.zeros(0, dtype=np.bool_)
    opposite = UP if flows.direction[rows[0]] == DOWN else DOWN
    # Only rows between two addresses that are asked about can answer; this leaves little to hash and sort.
    bits = _table_bits(len(rows))
    asked = np.zeros(1 << bits, dtype=np.bool_)
    asked[_pair_slot(flows.inside[rows], flows.outside[rows], bits)] = True
    candidates = np.flatnonzero(
        select(
            flows,
            lambda chunk: (
                (chunk.direction == opposite) & asked.take(_pair_slot(chunk.inside, chunk.outside, bits))
            ),
        )
    )
    if not refusals:
        flags = flows.tcp_flags[candidates]
        refused = (flows.protocol[candidates] == TCP) & (flags >= 0) & ((flags & (SYN | RST)) == RST)
        candidates = candidates[~refused]
    return among(conversation_keys(flows, rows), conversation_keys(flows, candidates))


def among(keys: NDArray[np.uint64], known: NDArray[np.uint64]) -> NDArray[np.bool_]:
    """
    Which of `keys` occur in `known`; both well mixed, as conversation_keys gives them. Shape [len(keys)].

    Sorting millions of keys to find a few takes longer than all else, so a table of their low bits first
    drops what cannot match, on both sides.
    """
    found = np.zeros(len(keys), dtype=np.bool_)
    hits = np.sort(known[np.flatnonzero(_may_be_in(keys, known))])
    likely = np.flatnonzero(_may_be_in(hits, keys))
    index = np.minimum(np.searchsorted(hits, keys[likely]), len(hits) - 1)
    found[likely] = hits[index] == keys[likely]
    return found


def occurring_again(keys: NDArray[np.uint64]) -> NDArray[np.bool_]:
    """Which of `keys`, well mixed, occur more than once. Shape [len(keys)]."""
    ordered = np.sort(keys)
    return among(keys, ordered[1:][ordered[1:] == ordered[:-1]])


def _pair_slot(inside: NDArray[np.int32], outside: NDArray[np.int32], bits: int) -> NDArray[np.intp]:
    """A slot of a table of 2^bits for each pair of addresses. Shape [len(inside)]."""
    pair = (inside.view(np.uint32) * _PAIR_FACTORS[0]) ^ (outside.view(np.uint32) * _PAIR_FACTORS[1])
    return ((pair * _PAIR_FACTORS[0]) >> np.uint32(32 - bits)).astype(np.intp)


def _table_bits(keys: int) -> int:
    return min(max(keys * _TABLE_SPARSENESS, 1).bit_length(), _MAX_TABLE_BITS)


def _may_be_in(few: NDArray[np.uint64], many: NDArray[np.uint64]) -> NDArray[np.bool_]:
    """Per key of `many`, whether its low bits are those of any of `few`."""
    bits = _table_bits(len(few))
    mask = np.uint64((1 << bits) - 1)
    table = np.zeros(1 << bits, dtype=np.bool_)
    table[(few & mask).astype(np.intp)] = True
    maybe: NDArray[np.bool_] = table.take((many & mask).astype(np.intp))
    return maybe


def distinct(indexes: NDArray[np.int32], size: int) -> int:
    """How many different values below `size` there are."""
    seen = np.zeros(size, dtype=np.bool_)
    seen[indexes] = True
    return int(np.count_nonzero(seen))


def sees_downloads(flows: SiteFlows) -> bool:
    """Whether the exporter shows what comes back at all; a one-way export proves nothing about answers.

    False as well where downloads are so rare beside uploads (under 1 % of the records) that they are strays.
    """
    down = int(np.count_nonzero(flows.direction == DOWN))
    up = int(np.count_nonzero(flows.direction == UP))
    return down > 0 and down >= 0.01 * up


def half_open(flows: SiteFlows) -> NDArray[np.bool_]:
    """TCP records that open a connection and do not go on with it."""
    opening: NDArray[np.bool_] = flows.protocol == TCP
    opening &= (flows.tcp_flags & (SYN | ACK)) == SYN  # not of unknown ones, -1
    return opening


def acknowledged(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which of these downloads are of a connection that their source went on with in another record."""
    of_target = np.zeros(len(flows.addresses), dtype=np.bool_)
    of_target[flows.inside[rows]] = True

    def going_on(chunk: SiteFlows) -> NDArray[np.bool_]:
        acks: NDArray[np.bool_] = (chunk.direction == DOWN) & (chunk.protocol == TCP) & (chunk.tcp_flags > 0)
        acks &= ((chunk.tcp_flags & ACK) != 0) & of_target[chunk.inside]
        return acks

    known = np.flatnonzero(select(flows, going_on))
    if not len(known):
        return np.zeros(len(rows), dtype=np.bool_)
    gone_on = among(conversation_keys(flows, rows), conversation_keys(flows, known))
    gone_on &= flows.protocol[rows] == TCP
    return gone_on
