"""Addresses as 16 octets, and sets of networks that are searched as ranges.

Facts the design follows: IPv4 stands as IPv4-mapped IPv6 (RFC 4291 2.5.5.2), so one order and one range search
serve both families; CIDR networks either nest or lie apart, so any set of them is a list of disjoint ranges.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from ipaddress import IPv6Address, ip_address
from typing import Final

import numpy as np
from netaddr import IPNetwork, IPSet
from numpy.typing import NDArray

from flowdiag.flows import V4_PREFIX

# numpy orders this type octet by octet, and pads with zeros what it strips: right for values of one width.
OCTETS_16: Final = np.dtype("S16")

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


def address_range(network: str) -> tuple[bytes, bytes]:
    """First and last address, 16 octets each, of a network in CIDR form. Raises netaddr.AddrFormatError."""
    return _mapped_range(IPNetwork(network))


def _mapped_range(network: IPNetwork) -> tuple[bytes, bytes]:
    width, prefix = (4, V4_PREFIX) if network.version == 4 else (16, b"")
    return (
        prefix + int(network.first).to_bytes(width, "big"),
        prefix + int(network.last).to_bytes(width, "big"),
    )


class AddressRanges:
    """A set of networks, built once and then searched for many addresses in one step."""

    def __init__(self, networks: Iterable[str]) -> None:
        ranges = sorted(_mapped_range(network) for network in IPSet(list(networks)).iter_cidrs())
        self._first = np.array([first for first, _ in ranges], OCTETS_16)
        self._last = np.array([last for _, last in ranges], OCTETS_16)

    def contains(self, addresses: Sequence[bytes] | NDArray[np.bytes_]) -> NDArray[np.bool_]:
        """Whether each address (16 octets) lies in any of the networks. Shape [n]."""
        sought = np.asarray(addresses, OCTETS_16)
        if not len(self._first) or not len(sought):
            return np.zeros(len(sought), np.bool_)
        place = np.searchsorted(self._first, sought, side="right") - 1
        within: NDArray[np.bool_] = (place >= 0) & (sought <= self._last[np.maximum(place, 0)])
        return within
