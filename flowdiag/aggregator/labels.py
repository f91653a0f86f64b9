"""Names of the site profile for addresses; of several networks that hold an address the longest prefix wins."""

from __future__ import annotations

from bisect import bisect_right
from ipaddress import IPv4Address, IPv6Address, ip_address, ip_network

from flowdiag.address_ranges import address_range
from flowdiag.addresses import to_text
from flowdiag.site.profile import Label, Profile


class Labels:
    """The profile's labels as disjoint ranges of addresses in order, each with its name (or none)."""

    def __init__(self, profile: Profile) -> None:
        named = sorted(
            ((*address_range(label.network), label.name) for label in profile.label),
            key=lambda entry: (entry[0], [255 - octet for octet in entry[1]]),  # the wider of two comes first
        )
        self._starts: list[bytes] = []
        self._names: list[str | None] = []
        open_networks: list[tuple[bytes, str]] = []  # (last address, name), widest first
        for first, last, name in named:
            self._close(open_networks, before=first)
            self._begin(first, name)
            open_networks.append((last, name))
        self._close(open_networks, before=None)

    def label(self, address: bytes) -> str | None:
        """The name of an address (16 octets), None if the profile has none."""
        index = bisect_right(self._starts, address) - 1
        return self._names[index] if index >= 0 else None

    def _begin(self, address: bytes, name: str | None) -> None:
        """From address on, name holds; a later word on the same address wins."""
        if self._starts and self._starts[-1] == address:
            self._names[-1] = name
        else:
            self._starts.append(address)
            self._names.append(name)

    def _close(self, open_networks: list[tuple[bytes, str]], before: bytes | None) -> None:
        """Ends the networks that lie wholly before an address; behind each, the wider one around it holds."""
        while open_networks and (before is None or open_networks[-1][0] < before):
            last, _ = open_networks.pop()
            after = int.from_bytes(last, "big") + 1
            if after < 1 << 128:
                outer = open_networks[-1][1] if open_networks else None
                self._begin(after.to_bytes(16, "big"), outer)


def label_of(profile: Profile, address: bytes) -> str | None:
    """The profile's name for an address."""
    label = label_at(profile, ip_address(to_text(address)))
    return label.name if label else None


def label_at(profile: Profile, place: IPv4Address | IPv6Address) -> Label | None:
    """The profile's label that holds for an address; the longest prefix wins, the first of two that are equal."""
    best: tuple[int, Label] | None = None
    for label in profile.label:
        network = ip_network(label.network, strict=False)
        if (
            place.version == network.version
            and place in network
            and (best is None or network.prefixlen > best[0])
        ):
            best = (network.prefixlen, label)
    return best[1] if best else None
