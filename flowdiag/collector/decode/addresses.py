"""Source and destination addresses and ports of flows, from whichever elements carry them.

Facts the design follows:
- a template may hold both families; which one counts is said by ipVersion or by the pair that is not zero
  (RFC 5102 5.4, common practice);
- where an exporter aggregates by prefix, the prefix stands for the address (RFC 5102 5.4.6);
- a translating router may give the addresses after translation beside the ones before (RFC 8158 4.2): towards
  the site the inside host is the one after it, and the talker is the inside host;
- ICMP has no ports; its type and code stand in elements of their own, or by common practice in the
  destination port (RFC 5102 5.5.14);
- ports may come in the elements of UDP and TCP instead (RFC 5102 5.5).
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from flowdiag.addresses import V4_PREFIX
from flowdiag.collector.decode import ie
from flowdiag.collector.decode.columns import Columns, Integers

# 16 octets as two native integers in network order: copied and compared faster than single octets.
Addresses = NDArray[np.uint64]
Mask = NDArray[np.bool_]

ICMP: Final = 1
TCP: Final = 6
ICMP6: Final = 58
_MARK: Final = np.frombuffer(V4_PREFIX[8:], "=u4")[0]
# Private (RFC 1918) and shared (RFC 6598) networks: address and mask.
_PRIVATE: Final = (
    (0x0A000000, 0xFF000000),
    (0xAC100000, 0xFFF00000),
    (0xC0A80000, 0xFFFF0000),
    (0x64400000, 0xFFC00000),
)


class Side(NamedTuple):
    """The elements that may hold one side's address."""

    v4: int
    v6: int
    v4_prefix: int
    v6_prefix: int


SOURCE: Final = Side(ie.SOURCE_IPV4, ie.SOURCE_IPV6, ie.SOURCE_IPV4_PREFIX, ie.SOURCE_IPV6_PREFIX)
DESTINATION: Final = Side(
    ie.DESTINATION_IPV4, ie.DESTINATION_IPV6, ie.DESTINATION_IPV4_PREFIX, ie.DESTINATION_IPV6_PREFIX
)


class Endpoint(NamedTuple):
    """One side of all flows. address None: not exported; known None: known in all records."""

    address: Addresses | None
    known: Mask | None


def mapped(words: NDArray[np.uint32]) -> Addresses:
    """IPv4 addresses, each in network order within a native integer, as IPv4-mapped IPv6 ones."""
    out = np.zeros((len(words), 4), np.uint32)
    out[:, 2] = _MARK
    out[:, 3] = words
    return out.view(np.uint64)


def as_addresses(octets: NDArray[np.uint8]) -> Addresses:
    """Shape (records, 16) as two integers a record."""
    return np.ascontiguousarray(octets).view(np.uint64)


def endpoint(columns: Columns, side: Side, ipv6: Mask | None) -> Endpoint:
    """One side's addresses; sixth: where IPv6 counts, for templates that hold both families."""
    words = columns.words(side.v4)
    octets = columns.octets(side.v6, 16)
    if words is None and octets is None:
        words, octets = columns.words(side.v4_prefix), columns.octets(side.v6_prefix, 16)
    if words is None and octets is None:
        return Endpoint(None, None)
    v6 = None if octets is None else as_addresses(octets)
    if words is None:
        return Endpoint(v6, None)
    v4 = mapped(words)
    if v6 is None:
        return Endpoint(v4, None)
    if ipv6 is None:
        ipv6 = (words == 0) & v6.any(axis=1)
    known = np.where(ipv6, v6.any(axis=1), words != 0)
    return Endpoint(np.where(ipv6[:, np.newaxis], v6, v4), None if known.all() else known)


def is_ipv6(columns: Columns) -> Mask | None:
    """Where IPv6 counts in a template of both families; None if it holds one only."""
    if not (
        columns.has(ie.SOURCE_IPV4, ie.DESTINATION_IPV4) and columns.has(ie.SOURCE_IPV6, ie.DESTINATION_IPV6)
    ):
        return None
    ipv6 = np.zeros(columns.count, np.bool_)
    for number in (ie.SOURCE_IPV6, ie.DESTINATION_IPV6):
        octets = columns.octets(number, 16)
        if octets is not None:
            ipv6 |= octets.any(axis=1)
    for number in (ie.SOURCE_IPV4, ie.DESTINATION_IPV4):
        words = columns.words(number)
        if words is not None:
            ipv6 &= words == 0
    version = columns.integer(ie.IP_VERSION)
    if version is not None:
        ipv6 = np.where((version == 4) | (version == 6), version == 6, ipv6)
    return ipv6


def inside_destination(
    columns: Columns, destination: Endpoint, port: Integers | None
) -> tuple[Endpoint, Integers | None]:
    """The destination, where a translation leads to an inside host: that host and its port."""
    if destination.address is None or not columns.has(
        ie.POST_NAT_DESTINATION_IPV4, ie.POST_NAT_DESTINATION_IPV6
    ):
        return destination, port
    address = destination.address
    inside = np.zeros(columns.count, np.bool_)
    words, original_words = columns.words(ie.POST_NAT_DESTINATION_IPV4), columns.words(ie.DESTINATION_IPV4)
    if words is not None and original_words is not None:
        inside = _private(words) & ~_private(original_words)
        address = np.where(inside[:, np.newaxis], mapped(words), address)
    octets = columns.octets(ie.POST_NAT_DESTINATION_IPV6, 16)
    original = columns.octets(ie.DESTINATION_IPV6, 16)
    if octets is not None and original is not None:
        local = _unique_local(octets) & ~_unique_local(original)
        address = np.where(local[:, np.newaxis], as_addresses(octets), address)
        inside |= local
    later_port = columns.integer(ie.POST_NAPT_DESTINATION_PORT)
    if port is not None and later_port is not None:
        port = np.where(inside & (later_port != 0), later_port, port)
    return Endpoint(address, destination.known), port


def _private(words: NDArray[np.uint32]) -> Mask:
    addresses = words.view(">u4")
    found = np.zeros(len(addresses), np.bool_)
    for network, mask in _PRIVATE:
        found |= addresses & mask == network
    return found


def _unique_local(octets: NDArray[np.uint8]) -> Mask:
    """fc00::/7 (RFC 4193)."""
    local: Mask = octets[:, 0] & 0xFE == 0xFC
    return local


class Ports(NamedTuple):
    """Ports of all flows; None: not exported; known None: in all records."""

    source: Integers | None
    destination: Integers | None
    known: Mask | None


def ports(columns: Columns, protocol: Integers | None) -> Ports:
    """Ports, with type * 256 + code as the destination port of ICMP, whose source port is 0."""
    source = columns.integer(ie.SOURCE_PORT)
    destination = columns.integer(ie.DESTINATION_PORT)
    if source is None and destination is None:
        source = _by_transport(columns, protocol, ie.TCP_SOURCE_PORT, ie.UDP_SOURCE_PORT)
        destination = _by_transport(columns, protocol, ie.TCP_DESTINATION_PORT, ie.UDP_DESTINATION_PORT)
    if protocol is None:
        return Ports(source, destination, None)
    v4 = _icmp(columns, ie.ICMP_TYPE_CODE_IPV4, ie.ICMP_TYPE_IPV4, ie.ICMP_CODE_IPV4)
    v6 = _icmp(columns, ie.ICMP_TYPE_CODE_IPV6, ie.ICMP_TYPE_IPV6, ie.ICMP_CODE_IPV6)
    if v4 is None and v6 is None and source is None:
        return Ports(source, destination, None)
    is_v4, is_v6 = protocol == ICMP, protocol == ICMP6
    icmp = is_v4 | is_v6
    if not icmp.any():
        return Ports(source, destination, None)
    known = None
    if source is None and destination is None:
        source = destination = np.zeros(columns.count, np.uint16)
        known = icmp
    if source is not None:
        source = np.where(icmp, source.dtype.type(0), source)
    for type_code, is_icmp in ((v4, is_v4), (v6, is_v6)):
        if type_code is not None and destination is not None:
            destination = np.where(is_icmp, type_code, destination)
    return Ports(source, destination, known)


def _by_transport(columns: Columns, protocol: Integers | None, tcp: int, udp: int) -> Integers | None:
    over_tcp, over_udp = columns.integer(tcp), columns.integer(udp)
    if over_tcp is None or over_udp is None:
        return over_udp if over_tcp is None else over_tcp
    if protocol is None:
        return np.where(over_tcp != 0, over_tcp, over_udp)
    return np.where(protocol == TCP, over_tcp, over_udp)


def _icmp(columns: Columns, both: int, kind: int, code: int) -> NDArray[Any] | None:
    type_code = columns.integer(both)
    if type_code is not None:
        return type_code
    types, codes = columns.integer(kind), columns.integer(code)
    if types is None:
        return None
    wide = types.astype(np.uint16) << 8
    return wide if codes is None else wide | codes.astype(np.uint16)
