"""Addresses as 16 octets: IPv4 as IPv4-mapped IPv6 (RFC 4291 2.5.5.2), so that one order serves both families.

Nothing here loads numpy or Arrow: what only takes datagrams in needs neither.
"""

from __future__ import annotations

from ipaddress import IPv6Address, ip_address
from typing import Final

V4_PREFIX: Final = bytes(10) + b"\xff\xff"
UNKNOWN_ADDRESS: Final = bytes(16)

# Inside when the profile does not say: RFC 1918, RFC 4193.
PRIVATE_NETWORKS: Final = ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "fc00::/7")
# Never beyond a link: multicast (RFC 5771, RFC 4291 2.7), limited broadcast (RFC 919), link local (RFC 3927,
# RFC 4291 2.5.6).
NEVER_OUTSIDE: Final = ("224.0.0.0/4", "255.255.255.255/32", "169.254.0.0/16", "ff00::/8", "fe80::/10")


def to_bytes(text: str) -> bytes:
    """16 octets of an IPv4 or IPv6 address in text form. Raises ValueError for anything else."""
    address = ip_address(text)
    return V4_PREFIX + address.packed if address.version == 4 else address.packed


def to_text(address: bytes) -> str:
    """Text of 16 octets: dotted quad for IPv4-mapped addresses, else the form of RFC 5952."""
    if address[:12] == V4_PREFIX:
        return "{}.{}.{}.{}".format(*address[12:])
    return str(IPv6Address(address))
