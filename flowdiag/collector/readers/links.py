"""Link layers of captures: where in a frame the IP packet starts.

Link type numbers: the LINKTYPE registry of the pcap drafts (from memory). Header layouts: IEEE 802.3 and
802.1Q (tags 0x8100, 0x88a8; 0x9100 and 0x9200 are common practice), RFC 1661/1662 (PPP), RFC 2516 (PPPoE),
the Linux "cooked" capture headers v1 and v2 and the BSD loopback headers (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from struct import Struct
from typing import Final

IPV4: Final = 4
IPV6: Final = 6
NO_IP: Final = (0, 0)

_SHORT: Final = Struct(">H").unpack_from

# Tags a frame may carry one after another; more than this is no network anybody runs.
MAX_TAGS: Final = 8

_ETHERTYPE_IPV4: Final = 0x0800
_ETHERTYPE_IPV6: Final = 0x86DD
_ETHERTYPE_PPPOE: Final = 0x8864
_TAGS: Final = frozenset((0x8100, 0x88A8, 0x9100, 0x9200))
_PPP_IPV4: Final = 0x0021
_PPP_IPV6: Final = 0x0057
# Address families of the BSD loopback header: IPv4 is 2 everywhere, IPv6 differs by system.
_FAMILIES: Final = {2: IPV4, 24: IPV6, 28: IPV6, 30: IPV6, 10: IPV6, 23: IPV6}

Locate = Callable[[bytes, int, int], tuple[int, int]]


def _by_ethertype(data: bytes, start: int, end: int) -> tuple[int, int]:
    """IP after an EtherType that stands at start, any tags stepped over."""
    for _ in range(MAX_TAGS):
        if start + 2 > end:
            return NO_IP
        (kind,) = _SHORT(data, start)
        if kind == _ETHERTYPE_IPV4:
            return IPV4, start + 2
        if kind == _ETHERTYPE_IPV6:
            return IPV6, start + 2
        if kind == _ETHERTYPE_PPPOE:
            return _ppp(data, start + 8, end)
        if kind not in _TAGS:
            return NO_IP
        start += 4
    return NO_IP


def ethernet(data: bytes, start: int, end: int) -> tuple[int, int]:
    return _by_ethertype(data, start + 12, end)


def _cooked(data: bytes, start: int, end: int) -> tuple[int, int]:
    return _by_ethertype(data, start + 14, end)


def _cooked2(data: bytes, start: int, end: int) -> tuple[int, int]:
    # v2 moved the protocol to the front: it stands at 0, the packet at 20. Tags may follow the header.
    if start + 20 > end:
        return NO_IP
    (kind,) = _SHORT(data, start)
    if kind in _TAGS:
        return _by_ethertype(data, start + 22, end)
    if kind == _ETHERTYPE_IPV4:
        return IPV4, start + 20
    if kind == _ETHERTYPE_IPV6:
        return IPV6, start + 20
    return NO_IP


def _raw(data: bytes, start: int, end: int) -> tuple[int, int]:
    if start >= end:
        return NO_IP
    version = data[start] >> 4
    return (version, start) if version in (IPV4, IPV6) else NO_IP


def _loopback(data: bytes, start: int, end: int) -> tuple[int, int]:
    # The family stands in the byte order of the capturing host (null) or in network order (loop).
    if start + 4 > end:
        return NO_IP
    header = data[start : start + 4]
    family = int.from_bytes(header, "big" if header[0] == 0 else "little")
    version = _FAMILIES.get(family)
    return (version, start + 4) if version else NO_IP


def _ppp(data: bytes, start: int, end: int) -> tuple[int, int]:
    # HDLC framing (RFC 1662 3.1) puts address 0xff and control 0x03 in front; both may be left out, and the
    # protocol may be compressed to its low octet (RFC 1661 6.5).
    if data[start : start + 2] == b"\xff\x03":
        start += 2
    if start + 2 > end:
        return NO_IP
    if data[start] & 1:
        kind, start = data[start], start + 1
    else:
        (kind,), start = _SHORT(data, start), start + 2
    if kind == _PPP_IPV4:
        return IPV4, start
    if kind == _PPP_IPV6:
        return IPV6, start
    return NO_IP


def _hdlc(data: bytes, start: int, end: int) -> tuple[int, int]:
    # Link type 50 carries PPP in HDLC framing, or the four-octet header that ends in an EtherType.
    if data[start : start + 1] in (b"\x0f", b"\x8f"):
        return _by_ethertype(data, start + 2, end)
    return _ppp(data, start, end)


def _ppp_ether(data: bytes, start: int, end: int) -> tuple[int, int]:
    return _ppp(data, start + 6, end)


# Each gives (IP version, index of the IP header), or NO_IP.
LINK_TYPES: Final[dict[int, Locate]] = {
    0: _loopback,
    1: ethernet,
    9: _ppp,
    12: _raw,
    14: _raw,
    50: _hdlc,
    51: _ppp_ether,
    101: _raw,
    104: _hdlc,
    108: _loopback,
    113: _cooked,
    228: _raw,
    229: _raw,
    276: _cooked2,
}
