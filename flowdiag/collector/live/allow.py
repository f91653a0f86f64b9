"""Who may send: networks in CIDR form, given one by one or in files that are read again on request."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from ipaddress import IPv4Address, IPv4Network, IPv6Network, collapse_addresses, ip_address, ip_network
from pathlib import Path
from typing import Final

from flowdiag.addresses import to_bytes
from flowdiag.errors import UsageError

# A provider lists its clients' networks; a file of more lines was given by mistake.
MAX_NETWORKS: Final = 100_000


class AllowList:
    """networks: who may send; None for anybody. Networks nest or lie apart, so that one search finds an address.

    hosts: those that are listed one by one, 16 octets.
    """

    def __init__(self, networks: Iterable[IPv4Network | IPv6Network] | None) -> None:
        self._first: dict[int, list[int]] = {4: [], 6: []}
        self._last: dict[int, list[int]] = {4: [], 6: []}
        self.everybody = networks is None
        listed = list(networks or ())
        self.hosts = frozenset(to_bytes(str(one[0])) for one in listed if one.prefixlen == one.max_prefixlen)
        fours = collapse_addresses(network for network in listed if isinstance(network, IPv4Network))
        sixes = collapse_addresses(network for network in listed if isinstance(network, IPv6Network))
        for version, ranges in ((4, map(_ends, fours)), (6, map(_ends, sixes))):
            for first, last in ranges:
                self._first[version].append(first)
                self._last[version].append(last)

    def allows(self, address: str) -> bool:
        """address: IPv4 or IPv6 as text."""
        if self.everybody:
            return True
        ip = ip_address(address)
        number = int(ip)
        index = bisect_right(self._first[ip.version], number) - 1
        return index >= 0 and number <= self._last[ip.version][index]


def read_allow_list(networks: Sequence[str], files: Sequence[Path]) -> AllowList:
    """The list of networks given as words and in files: one a line, empty lines and what follows a # left out.

    Without either, anybody may send. Raises UsageError for what is no network and for a file that cannot be read.
    """
    if not networks and not files:
        return AllowList(None)
    listed = [_network(text, "--allow") for text in networks]
    for path in files:
        try:
            lines = path.read_text("utf-8").splitlines()
        except (OSError, UnicodeDecodeError) as error:
            reason = getattr(error, "strerror", None) or "not text"
            raise UsageError(
                f"the allow list cannot be read ({reason})", file=str(path), expected="a network a line"
            ) from error
        for number, line in enumerate(lines, 1):
            text = line.partition("#")[0].strip()
            if text:
                listed.append(_network(text, f"{path} line {number}"))
    if len(listed) > MAX_NETWORKS:
        raise UsageError(f"{len(listed)} networks may send", expected=f"at most {MAX_NETWORKS}")
    return AllowList(listed)


def _ends(network: IPv4Network | IPv6Network) -> tuple[int, int]:
    return int(network[0]), int(network[-1])


def _network(text: str, where: str) -> IPv4Network | IPv6Network:
    try:
        return ip_network(text.strip())
    except ValueError as error:
        raise UsageError(
            f"{text[:60]!r} is not a network",
            file=where,
            expected="a network such as 192.0.2.0/24 or 2001:db8::/32, or an address",
        ) from error


def plain(host: str) -> str:
    """An address as a socket gives it, without zone, IPv4 where it is an IPv4-mapped one (RFC 4291 2.5.5.2)."""
    host = host.partition("%")[0]
    if host.startswith("::ffff:"):
        mapped = getattr(ip_address(host), "ipv4_mapped", None)
        if isinstance(mapped, IPv4Address):
            return str(mapped)
    return host
