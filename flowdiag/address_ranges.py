"""Sets of networks that are searched as ranges.

Facts the design follows: addresses of both families are 16 octets in one order; CIDR networks either nest or lie apart, so any
set of them is a list of disjoint ranges.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np
from netaddr import IPNetwork, IPSet
from numpy.typing import NDArray

from flowdiag.addresses import V4_PREFIX

# numpy orders this type octet by octet, and pads with zeros what it strips: right for values of one width.
OCTETS_16: Final = np.dtype("S16")


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
