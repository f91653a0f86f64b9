"""Checks of single values of the site profile.

Each returns the value in its one canonical form, or raises ValueError with what is wrong, in words for the
person who wrote the profile.
"""

from __future__ import annotations

from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import Final

MAX_NAME: Final = 200  # a name has to fit a line of the note
MAX_SHOWN: Final = 60  # characters of a wrong value that an error line repeats
MAPPED_BITS: Final = 96  # RFC 4291 2.5.5.2: prefix of IPv4-mapped addresses


def shown(value: object) -> str:
    """A wrong value as an error line repeats it: quoted if text, cut if long."""
    if isinstance(value, bool):
        return "true" if value else "false"
    text = repr(value)
    return text if len(text) <= MAX_SHOWN else text[: MAX_SHOWN - 3] + "..."


def check_name(text: str) -> str:
    """Text of 1 to MAX_NAME characters, not only blanks."""
    if not text.strip():
        raise ValueError("it is blank")
    if len(text) > MAX_NAME:
        raise ValueError(f"it has {len(text)} characters")
    return text.strip()


def check_address(text: str) -> str:
    """An IP address in canonical form; an IPv4-mapped one becomes IPv4."""
    try:
        address = ip_address(text)
    except ValueError:
        raise ValueError(f"{shown(text)} is not an address") from None
    if isinstance(address, IPv6Address):
        if address.scope_id is not None:
            raise ValueError(f"{shown(text)} has a zone, which flow records do not know")
        if address.ipv4_mapped is not None:
            return str(address.ipv4_mapped)
    return str(address)


def check_network(text: str) -> str:
    """A network in canonical form; bits behind the prefix are cleared, a bare address is a network of one."""
    return str(_network(text))


def check_lan(text: str) -> str:
    """A network that leaves something outside."""
    network = _network(text)
    if network.prefixlen == 0:
        raise ValueError(f"{shown(text)} takes in every address, so that nothing would be outside")
    return str(network)


def _network(text: str) -> IPv4Network | IPv6Network:
    try:
        network = ip_network(text, strict=False)
    except ValueError:
        raise ValueError(f"{shown(text)} is not a network") from None
    first = network.network_address
    if isinstance(first, IPv6Address):
        if first.scope_id is not None:
            raise ValueError(f"{shown(text)} has a zone, which flow records do not know")
        if first.ipv4_mapped is not None and network.prefixlen >= MAPPED_BITS:
            return IPv4Network((IPv4Address(first.ipv4_mapped), network.prefixlen - MAPPED_BITS))
    return network


def check_time_zone(text: str) -> str:
    """The IANA name of a time zone that is known here."""
    from zoneinfo import ZoneInfo

    try:
        ZoneInfo(text)
    except (KeyError, ValueError, OSError):
        raise ValueError(f"{shown(text)} is not a time zone{_nearest_zone(text)}") from None
    return text


def _nearest_zone(text: str) -> str:
    from difflib import get_close_matches
    from zoneinfo import available_timezones

    by_lower = {name.lower(): name for name in sorted(available_timezones())}
    near = get_close_matches(text[:MAX_SHOWN].lower().replace(" ", "_"), by_lower, n=1)
    return f', did you mean "{by_lower[near[0]]}"?' if near else ""
