"""Tells links from ports of the site's own, and networks inside from those outside, by who stands behind which interface.

Facts the guesses rest on:
- at a link arrive packets from public addresses, or from those that a carrier shares among customers (RFC 6598);
- a site carries nothing from one of its links to another. Where two interfaces with public addresses exchange traffic,
  one of them is a port of the site's own with public addresses (servers, IPv6): the one with fewer networks behind it;
- an interface at which nothing arrives is no way in: a port that mirrors traffic, a VLAN that nobody uses;
- where a router meters packets on both sides of a translation and numbers the place between, what comes from the one side there
  leaves to the other, octet for octet: no link and no port;
- behind translation (NAT) the router's own outside address appears as a source at the LAN port, beside the private ones.
All of it is common practice, no source.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Sequence
from ipaddress import collapse_addresses
from typing import Final

from msgspec import Struct

from flowdiag.addresses import UNKNOWN_ADDRESS
from flowdiag.draft.networks import Interface, Network, Traffic, as_network, is_private, is_shared, is_special
from flowdiag.text.wording import draft as wording

MAX_LINKS_PROPOSED: Final = 8
MOSTLY: Final = 0.5  # of what arrives at a link comes from public addresses
EXCHANGED: Final = 0.05  # part of the lesser interface's octets; less is strays, and the router's own packets
SAME: Final = (
    0.95  # what one side of a translation counts and the other does not: records cut otherwise, padding
)
MIN_PREFIX_SHARE: Final = 0.001  # of what arrives at an interface; less is a stray or spoofed source
MANY_PREFIXES: Final = 8  # of one private block; more are proposed as their /16
BACKUP_NAME: Final = re.compile(
    r"lte|[345]g|cell|wwan|wwlan|modem|mobile|backup|secondary|umts|gsm|qmi", re.IGNORECASE
)


class Prefix(Struct, frozen=True):
    """interfaces: behind which it was seen; share: of the octets that arrive from inside.

    proposed: a value of the draft, else only named in it; alternative: what else it may be.
    """

    network: Network
    interfaces: tuple[int, ...]
    share: float
    private: bool
    proposed: bool = True
    alternative: str | None = None


def public_share(traffic: Traffic, interface: Interface) -> float | None:
    """Part of what arrives that comes from public or shared addresses; None if nothing arrives."""
    return _outside_share(traffic.arriving.get(interface, {}))


def _outside_share(networks: dict[bytes, int]) -> float | None:
    outside = inside = 0
    for first, octets in networks.items():
        network = as_network(first)
        if is_private(network):
            inside += octets
        elif not is_special(network):
            outside += octets
    return outside / (outside + inside) if outside + inside else None


def octets_at(traffic: Traffic, interface: Interface) -> int:
    """Octets that arrive and leave."""
    return sum(traffic.arriving.get(interface, {}).values()) + sum(
        traffic.leaving.get(interface, {}).values()
    )


def link_interfaces(
    traffic: Traffic, interfaces: Sequence[Interface], names: dict[int, str]
) -> list[Interface]:
    """Doors that look like links to the internet, most octets first; one without number if there are none."""
    numbered = [interface for interface in interfaces if interface.index is not None]
    if not numbered:
        return [Interface(interfaces[0].exporter if interfaces else UNKNOWN_ADDRESS, None)]
    shares = {interface: public_share(traffic, interface) for interface in numbered}
    public = [interface for interface in numbered if (shares[interface] or 0.0) >= MOSTLY]
    through = passed_through(traffic)
    found = _without_inside(traffic, [interface for interface in public if interface not in through])
    if not found:  # nothing public arrives anywhere: where it leaves to tells, if anything does
        leaving = {
            interface: _outside_share(traffic.leaving.get(interface, {})) or 0.0 for interface in numbered
        }
        found = [max(numbered, key=lambda d: (shares[d] or 0.0, leaving[d], octets_at(traffic, d)))]
    between = traffic.between()
    found += [
        interface
        for interface in numbered
        if interface not in found
        and shares[interface] is not None
        and BACKUP_NAME.search(names.get(interface.index or 0, ""))
        and not any(_exchange(traffic, between, interface, link) for link in found)
    ]
    return sorted(found, key=lambda interface: (-octets_at(traffic, interface), interface.index or 0))[
        :MAX_LINKS_PROPOSED
    ]


def passed_through(traffic: Traffic) -> set[Interface]:
    """Interfaces that are the place between two metering points: all that one exchanges with ports of private addresses it
    exchanges with links too.
    """
    with_ports: dict[Interface, int] = defaultdict(int)
    with_links: dict[Interface, int] = defaultdict(int)
    shares = {interface: public_share(traffic, interface) or 0.0 for interface in traffic.interfaces()}
    for pair, octets in traffic.between().items():
        for interface, other in (pair, pair[::-1]):
            (with_links if shares.get(other, 0.0) >= MOSTLY else with_ports)[interface] += octets
    found = set()
    for interface in with_ports.keys() & with_links.keys():
        lesser, greater = sorted((with_ports[interface], with_links[interface]))
        if lesser >= SAME * greater > 0 and lesser + greater >= SAME * octets_at(traffic, interface):
            found.add(interface)
    return found


def _without_inside(traffic: Traffic, found: list[Interface]) -> list[Interface]:
    """The interfaces less those that exchange traffic with another one of more networks."""
    between = traffic.between()
    pairs = [
        (-between.get((one, other), 0), one, other)
        for number, one in enumerate(found)
        for other in found[number + 1 :]
        if _exchange(traffic, between, one, other)
    ]
    kept = list(found)
    for _, one, other in sorted(pairs, key=lambda pair: (pair[0], pair[1].index or 0, pair[2].index or 0)):
        if one in kept and other in kept:
            kept.remove(min((one, other), key=lambda interface: _openness(traffic, interface)))
    return kept


def _exchange(
    traffic: Traffic, between: dict[tuple[Interface, Interface], int], one: Interface, other: Interface
) -> bool:
    lesser = min(octets_at(traffic, one), octets_at(traffic, other))
    exchanged = between.get((one, other), 0) + between.get((other, one), 0)
    return exchanged > EXCHANGED * lesser


def _openness(traffic: Traffic, interface: Interface) -> tuple[int, float, int, int]:
    """More is more like a link: networks that are not private, their share, octets."""
    networks = [as_network(first) for first in traffic.arriving.get(interface, {})]
    public = sum(not is_private(network) and not is_special(network) for network in networks)
    return (
        public,
        public_share(traffic, interface) or 0.0,
        octets_at(traffic, interface),
        -(interface.index or 0),
    )


def why_no_link(
    traffic: Traffic,
    interface: Interface,
    links: Sequence[Interface],
    through: Collection[Interface] = frozenset(),
) -> str:
    """Why an interface is not proposed as a link, and when it is one all the same. through: those passed through."""
    share = public_share(traffic, interface)
    if share is None:
        return wording.NOTHING_ARRIVED
    if share < MOSTLY:
        return wording.from_private(1 - share)
    if interface in through:
        return wording.TRANSLATED
    between = traffic.between()
    with_links = [link.index for link in links if _exchange(traffic, between, interface, link)]
    if with_links:
        return wording.fewer_networks(with_links[0])
    return wording.LESS_TRAFFIC


def lan_prefixes(
    traffic: Traffic, interfaces: Sequence[Interface], links: Sequence[Interface]
) -> tuple[Prefix, ...]:
    """Networks inside: what arrives at interfaces that are no links; private ones anywhere if none tells."""
    inside = [interface for interface in interfaces if interface not in links]
    seen: dict[Network, tuple[set[int], int]] = {}
    doubtful: dict[Network, tuple[set[int], int]] = {}
    outside = {
        first
        for interface in links
        if interface.index is not None
        for first in traffic.arriving.get(interface, {})
    }
    for interface in inside or interfaces:
        networks = traffic.arriving.get(interface, {})
        total = sum(networks.values()) or 1
        behind_private = any(as_network(n).version == 4 and is_private(as_network(n)) for n in networks)
        for first, octets in networks.items():
            network = as_network(first)
            stranger = not is_private(network) and (not inside or interface.index is None or first in outside)
            if is_special(network) or stranger or octets < MIN_PREFIX_SHARE * total:
                continue
            translated = network.version == 4 and not is_private(network) and behind_private
            found = doubtful if translated or is_shared(network) else seen
            indexes, sum_so_far = found.get(network, (set(), 0))
            if interface.index is not None:
                indexes = indexes | {interface.index}
            found[network] = indexes, sum_so_far + octets
    total = sum(octets for _, octets in (*seen.values(), *doubtful.values())) or 1
    return (*_merged(seen, total, proposed=True), *_merged(doubtful, total, proposed=False))


def _merged(seen: dict[Network, tuple[set[int], int]], total: int, *, proposed: bool) -> tuple[Prefix, ...]:
    """Many networks of one private /16 (IPv4) or any /48 (IPv6) as one; most octets first."""
    wider: dict[Network, list[Network]] = {}
    for network in seen:
        wider.setdefault(network.supernet(new_prefix=16 if network.version == 4 else 48), []).append(network)
    merged: list[Network] = []
    for whole, parts in wider.items():
        many = len(parts) > MANY_PREFIXES and (is_private(whole) or whole.version == 6)
        merged += [whole] if many else list(collapse_addresses(parts))  # type: ignore[type-var]
    found = []
    for network in merged:
        parts = [part for part in seen if part.version == network.version and part.subnet_of(network)]  # type: ignore[arg-type]
        interfaces = sorted(set[int]().union(*(seen[part][0] for part in parts)))
        share = sum(seen[part][1] for part in parts) / total
        found.append(
            Prefix(
                network,
                tuple(interfaces),
                share,
                is_private(network),
                proposed,
                _alternative(network, proposed=proposed),
            )
        )
    return tuple(
        sorted(found, key=lambda prefix: (-prefix.share, prefix.network.version, int(prefix.network[0])))
    )


def _alternative(network: Network, *, proposed: bool) -> str | None:
    if is_shared(network):
        return wording.CARRIERS
    if not proposed:
        return wording.ROUTERS_OWN
    if network.version == 4 and not is_private(network):
        return wording.IF_ROUTERS_OWN
    return None
