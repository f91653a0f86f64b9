"""A scene: one site over one span of time, its hosts, the outside world, and the ledger that activities write
into.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from flowdiag.scenario.ledger import Ledger
from flowdiag.scenario.network import working_network
from flowdiag.scenario.site import Site

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000

# Outside addresses are documentation addresses (RFC 5737, RFC 3849) where few are needed, and the
# benchmarking range (RFC 2544, 198.18.0.0/15) where thousands are.
CROWD = ipaddress.ip_network("198.18.0.0/15")
FEW = ("198.51.100.", "203.0.113.")
OUTSIDE_V6 = "2001:db8:ffff::"


class Scene:
    """Numbers of addresses stand for the addresses themselves. hosts and hosts6 are one list by position: the
    same devices.
    """

    def __init__(
        self, site: Site, start_ms: int, end_ms: int, rng: Generator, *, hosts: int = 12, step_ms: int = 1000
    ) -> None:
        self.site, self.start, self.end, self.rng = site, start_ms, end_ms, rng
        self.ledger = Ledger()
        self.network = working_network(site, start_ms, end_ms, rng, step_ms)
        lans = [ipaddress.ip_network(network) for network in site.lan]
        v4 = next((net for net in lans if net.version == 4), ipaddress.ip_network("192.168.40.0/24"))
        v6 = next((net for net in lans if net.version == 6), None)
        self.hosts = [self.ledger.address(str(v4[20 + number])) for number in range(hosts)]
        self.hosts6 = [self.ledger.address(str(v6[0x20 + number])) for number in range(hosts)] if v6 else []

    def outside(self, text: str) -> int:
        return self.ledger.address(text)

    def servers(self, count: int, v6: bool = False) -> NDArray[np.int64]:
        """A few outside servers."""
        if v6:
            texts = [f"{OUTSIDE_V6}{int(n):x}" for n in self.rng.integers(1, 60_000, count)]
        else:
            texts = [f"{FEW[int(n) % 2]}{1 + int(n) // 2}" for n in self.rng.integers(0, 500, count)]
        return np.array([self.ledger.address(text) for text in texts])

    def crowd(self, count: int) -> NDArray[np.int64]:
        """Many different outside addresses."""
        base = int(CROWD.network_address)
        numbers = self.rng.choice(CROWD.num_addresses - 2, count, replace=False) + 1
        return np.array([self.ledger.address(str(ipaddress.ip_address(base + int(n)))) for n in numbers])

    def ports(self, count: int) -> NDArray[np.int64]:
        """Client ports of the dynamic range (RFC 6335 6)."""
        return self.rng.integers(49152, 65535, count)

    def times(self, from_ms: float, to_ms: float, count: int) -> NDArray[np.float64]:
        return np.sort(self.rng.uniform(from_ms, to_ms, count))

    def pick(self, numbers: Sequence[int] | NDArray[np.int64], count: int) -> NDArray[np.int64]:
        return self.rng.choice(np.asarray(numbers), count)
