"""Where an export's octets come from and go to: by exporter, interface, and network of 256 (IPv4) or /64
(IPv6).

Facts the guesses rest on: behind a LAN interface stand few networks, mostly private ones (RFC 1918, RFC
4193); through a link to the internet arrive packets of many public ones. A carrier that translates addresses
numbers its lines out of 100.64.0.0/10, which no site uses inside (RFC 6598 4).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from ipaddress import IPv4Network, IPv6Network, ip_network
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from msgspec import Struct, field
from numpy.typing import NDArray

from flowdiag.addresses import V4_PREFIX
from flowdiag.flows import ADDRESS

MAX_NETWORKS: Final = (
    500_000  # networks kept an exporter and interface; what comes later is counted without its network
)
# Interfaces of all exporters that are kept, and pairs of them; large routers have some thousand. Octets of others do not
# count: what is one of so many is no link of a site.
MAX_INTERFACES: Final = 16_384
V4_KEPT: Final = 15  # octets of an IPv4-mapped address that name its /24
V6_KEPT: Final = 8  # octets of an IPv6 address that name its /64
ELSEWHERE: Final = V4_PREFIX + bytes(4)  # 0.0.0.0/24: stands for networks beyond MAX_NETWORKS

PRIVATE: Final = tuple(map(ip_network, ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "fc00::/7")))
# Neither inside nor outside: unspecified, loopback, link-local, multicast, broadcast (RFC 6890).
SPECIAL: Final = tuple(
    map(
        ip_network,
        ("0.0.0.0/8", "127.0.0.0/8", "169.254.0.0/16", "224.0.0.0/3", "::/64", "fe80::/10", "ff00::/8"),
    )
)

SHARED: Final = IPv4Network("100.64.0.0/10")  # RFC 6598: between a carrier's translation and its customers

Network = IPv4Network | IPv6Network


class Interface(Struct, frozen=True):
    """One interface of one exporter; index None where the export has no interface numbers."""

    exporter: bytes
    index: int | None


class Traffic(Struct):
    """Octets by interface and network: arriving (by source) and leaving (by destination); onward: what arrives and leaves by an
    unknown interface, by destination; across: what arrives at one interface and leaves by another.
    """

    arriving: dict[Interface, dict[bytes, int]] = field(
        default_factory=lambda: defaultdict(lambda: defaultdict(int))
    )
    leaving: dict[Interface, dict[bytes, int]] = field(
        default_factory=lambda: defaultdict(lambda: defaultdict(int))
    )
    onward: dict[Interface, dict[bytes, int]] = field(
        default_factory=lambda: defaultdict(lambda: defaultdict(int))
    )
    across: dict[tuple[Interface, Interface], int] = field(default_factory=lambda: defaultdict(int))

    def add(self, batch: pa.RecordBatch) -> None:
        """Counts a batch of FLOW_SCHEMA."""
        _count(self.arriving, batch, "ingress_interface", "src_address")
        _count(self.leaving, batch, "egress_interface", "dst_address")
        known = pc.fill_null(pc.greater(batch["egress_interface"], 0), False)
        _count(self.onward, batch.filter(pc.invert(known)), "ingress_interface", "dst_address")
        self._count_across(batch.filter(known))

    def _count_across(self, batch: pa.RecordBatch) -> None:
        names = ["exporter", "ingress_interface", "egress_interface"]
        summed = pa.table({name: batch[name] for name in (*names, "octets")})
        summed = summed.group_by(names).aggregate([("octets", "sum")])
        for exporter, ingress, egress, octets in zip(
            *(summed[name].to_pylist() for name in (*names, "octets_sum")), strict=True
        ):
            pair = Interface(exporter, ingress), Interface(exporter, egress)
            if ingress and ingress != egress and (pair in self.across or len(self.across) < MAX_INTERFACES):
                self.across[pair] += octets or 0

    def between(self) -> dict[tuple[Interface, Interface], int]:
        """Octets exchanged by two interfaces of one exporter, both ways, each pair once in the order of interfaces().

        Where the interface by which packets left is not known, it is the one at which their destination's network arrives.
        """
        home: dict[tuple[bytes, bytes], tuple[int, Interface]] = {}
        for interface in self.interfaces():
            for network, octets in self.arriving.get(interface, {}).items():
                if (
                    interface.index is not None
                    and octets > home.get((interface.exporter, network), (0, interface))[0]
                ):
                    home[interface.exporter, network] = octets, interface
        exchanged: dict[tuple[Interface, Interface], int] = defaultdict(int)
        for (one, other), octets in self.across.items():
            exchanged[_pair(one, other)] += octets
        for interface, networks in self.onward.items():
            for network, octets in networks.items():
                _, other = home.get((interface.exporter, network), (0, interface))
                if interface.index is not None and other != interface:
                    exchanged[_pair(interface, other)] += octets
        return dict(exchanged)

    def interfaces(self) -> list[Interface]:
        """All interfaces in a fixed order."""
        return sorted(
            {*self.arriving, *self.leaving}, key=lambda interface: (interface.exporter, interface.index or 0)
        )

    def exporters(self) -> dict[bytes, int]:
        """Octets of each exporter, by what arrived or left, whichever is more."""
        both = []
        for side in (self.arriving, self.leaving):
            totals: dict[bytes, int] = defaultdict(int)
            for interface, networks in side.items():
                totals[interface.exporter] += sum(networks.values())
            both.append(totals)
        return {exporter: max(total[exporter] for total in both) for exporter in sorted({*both[0], *both[1]})}


def _pair(one: Interface, other: Interface) -> tuple[Interface, Interface]:
    return (one, other) if (one.index or 0) <= (other.index or 0) else (other, one)


def collect_traffic(batches: Iterable[pa.RecordBatch]) -> Traffic:
    traffic = Traffic()
    for batch in batches:
        traffic.add(batch)
    return traffic


def _count(side: dict[Interface, dict[bytes, int]], batch: pa.RecordBatch, column: str, address: str) -> None:
    table = pa.table(
        {
            "exporter": batch["exporter"],
            "index": batch[column],
            "network": networks_of(batch[address]),
            "octets": batch["octets"],
        }
    )
    summed = table.group_by(["exporter", "index", "network"]).aggregate([("octets", "sum")])
    for exporter, index, network, octets in zip(
        *(summed[name].to_pylist() for name in ("exporter", "index", "network", "octets_sum")), strict=True
    ):
        if network is None:
            continue
        interface = Interface(exporter, index or None)  # RFC 2863: 0 is no interface
        if interface not in side and len(side) >= MAX_INTERFACES:
            continue
        networks = side[interface]
        networks[network if network in networks or len(networks) < MAX_NETWORKS else ELSEWHERE] += octets or 0


def networks_of(addresses: pa.Array) -> pa.Array:
    """The first address of each address' /24 (IPv4) or /64; binary(16) to binary(16), nulls stay."""
    encoded = addresses.dictionary_encode()
    distinct = _octet_rows(encoded.dictionary).copy()
    is_v4 = (distinct[:, :12] == np.frombuffer(V4_PREFIX, np.uint8)).all(axis=1)
    distinct[is_v4, V4_KEPT:] = 0
    distinct[~is_v4, V6_KEPT:] = 0
    networks = pa.FixedSizeBinaryArray.from_buffers(
        ADDRESS, len(distinct), [None, pa.py_buffer(distinct.tobytes())]
    )
    return pc.take(networks, encoded.indices)


def _octet_rows(addresses: pa.Array) -> NDArray[np.uint8]:
    """Addresses without nulls as octets, shape [n, 16]."""
    octets = np.frombuffer(addresses.buffers()[1] or b"", np.uint8)
    begin = addresses.offset * 16
    return octets[begin : begin + len(addresses) * 16].reshape(-1, 16)


def as_network(first: bytes) -> Network:
    """The /24 or /64 that networks_of() named."""
    if first.startswith(V4_PREFIX):
        return IPv4Network((first[12:], 24))
    return IPv6Network((first, 64))


def is_private(network: Network) -> bool:
    return any(network.version == block.version and network.subnet_of(block) for block in PRIVATE)  # type: ignore[arg-type]


def is_shared(network: Network) -> bool:
    return network.version == 4 and network.subnet_of(SHARED)


def is_special(network: Network) -> bool:
    return any(network.version == block.version and network.subnet_of(block) for block in SPECIAL)  # type: ignore[arg-type]
