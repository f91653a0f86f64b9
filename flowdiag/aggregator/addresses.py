"""Addresses as 16 octets (IPv4 mapped, RFC 4291 2.5.5.2) and as text (RFC 5952)."""

from __future__ import annotations

import ipaddress

from flowdiag.flows import V4_PREFIX


def to_bytes(text: str) -> bytes:
    """16 octets of an address in text. Raises ValueError."""
    packed = ipaddress.ip_address(text).packed
    return packed if len(packed) == 16 else V4_PREFIX + packed


def to_text(address: bytes) -> str:
    """An address of 16 octets as text; mapped IPv4 as a dotted quad."""
    if address[:12] == V4_PREFIX:
        return str(ipaddress.IPv4Address(address[12:]))
    return str(ipaddress.IPv6Address(address))


class Networks:
    """A set of networks; contains() asks for many distinct addresses, longest prefix first in match()."""

    def __init__(self, networks: list[str]) -> None:
        ranges = []
        for number, text in enumerate(networks):
            net = ipaddress.ip_network(text, strict=False)
            shift = 96 if net.version == 4 else 0
            low = int.from_bytes(to_bytes(str(net.network_address)), "big")
            width = 128 - net.prefixlen - shift
            ranges.append((net.prefixlen + shift, low >> width, width, number))
        self._ranges = sorted(ranges, reverse=True)

    def match(self, address: bytes) -> int | None:
        """Index of the longest network that holds the address, or None."""
        value = int.from_bytes(address, "big")
        return next((n for _, low, width, n in self._ranges if value >> width == low), None)
