"""Names of applications and their plain-language classes. The rules are data: applications.toml.

A record's name is the one that its exporter gives (RFC 6759), else that of its service end's port (services.py
finds the end), else the IP protocol's.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any, Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.aggregator.choosing import either
from flowdiag.site.profile import Profile

UNKNOWN: Final = "unknown"
TCP: Final = 6
UDP: Final = 17
PORT_PROTOCOLS: Final = {TCP: "tcp", UDP: "udp"}

# A table of names by protocol and port: a row of ports, from -1 (unknown) on, for each protocol that has them, then one
# slot for each other protocol and, last, for none.
_PORTS: Final = 65_537
_OTHERS: Final = len(PORT_PROTOCOLS) * _PORTS
_NO_PROTOCOL: Final = 256
_HAS_PORTS: Final = np.zeros(_NO_PROTOCOL + 1, np.int32)
_HAS_PORTS[list(PORT_PROTOCOLS)] = 1
_FIRST_SLOT: Final = np.arange(_OTHERS, _OTHERS + _NO_PROTOCOL + 1, dtype=np.int32)
_FIRST_SLOT[list(PORT_PROTOCOLS)] = np.arange(len(PORT_PROTOCOLS)) * _PORTS

# What exporters say when their recognition found nothing (common practice).
NO_NAMES: Final = frozenset({"", "unknown", "unclassified", "undefined", "none", "n/a", "other"})


class Catalogue(Struct, frozen=True):
    """ports: (protocol number, port) -> name; protocols: number -> name; classes: name in lower case -> class;
    words: (word, class) to find in an exporter's name, in order; spellings: name in lower case -> as it is shown.
    """

    ports: Mapping[tuple[int, int], str]
    protocols: Mapping[int, str]
    classes: Mapping[str, str]
    words: tuple[tuple[str, str], ...]
    spellings: Mapping[str, str]

    def class_of(self, name: str) -> str:
        """The plain-language class of an application, "unknown" where nothing speaks for one."""
        folded = name.casefold()
        if (known := self.classes.get(folded)) is not None:
            return known
        return next((found for word, found in self.words if word in folded), UNKNOWN)

    def known_ports(self, protocol: int) -> NDArray[np.bool_]:
        """Whether each port names a service. Shape [65536]."""
        known = np.zeros(65_536, np.bool_)
        known[[port for number, port in self.ports if number == protocol]] = True
        return known


@cache
def catalogue() -> Catalogue:
    """The rules that ship with the package."""
    return read_catalogue(files("flowdiag.aggregator").joinpath("applications.toml").read_text("utf-8"))


def catalogue_of(profile: Profile) -> Catalogue:
    """The rules that ship with the package, extended by a site's own; where both name a port, the site's holds."""
    rules = catalogue()
    if not profile.application:
        return rules
    ports, classes, spellings = dict(rules.ports), dict(rules.classes), dict(rules.spellings)
    for own in profile.application:
        classes[own.name.casefold()] = own.kind
        spellings[own.name.casefold()] = own.name
        for number, protocol in PORT_PROTOCOLS.items():
            ports.update(dict.fromkeys(((number, port) for port in getattr(own, protocol)), own.name))
    return replace(rules, ports=ports, classes=classes, spellings=spellings)


def read_catalogue(text: str) -> Catalogue:
    """Rules from TOML; see applications.toml for their form."""
    rules: dict[str, Any] = tomllib.loads(text)
    ports: dict[tuple[int, int], str] = {}
    classes: dict[str, str] = {}
    for rule in rules["application"]:
        classes[rule["name"]] = rule["class"]
        for number, protocol in PORT_PROTOCOLS.items():
            for port in rule.get(protocol, ()):
                ports[number, port] = rule["name"]
    protocols: dict[int, str] = {}
    for rule in rules["protocol"]:
        classes[rule["name"]] = rule["class"]
        for number in rule["numbers"]:
            protocols[number] = rule["name"]
    words = tuple((word, name) for name, found in rules["class"].items() for word in found["words"])
    return Catalogue(ports, protocols, classes, words, {name: name for name in classes})


class Names:
    """Numbers for application names, in the order of their first use; number 0 is "unknown"."""

    def __init__(self, rules: Catalogue) -> None:
        self._rules = rules
        self._numbers: dict[str, int] = {UNKNOWN: 0}
        self._met = np.zeros(_OTHERS + _NO_PROTOCOL + 1, np.bool_)
        self._by_slot = np.full(len(self._met), -1, np.int32)  # -1: not named yet

    def all(self) -> tuple[str, ...]:
        return tuple(self._numbers)

    def number(self, name: str) -> int:
        return self._numbers.setdefault(name, len(self._numbers))

    def of_exporters(self, names: list[str]) -> NDArray[np.int32]:
        """The number of each name that exporters gave, 0 for those that say nothing. Shape [names + 1]: the last
        stands for no name (-1).

        Case is folded where the name is a known one, so that "HTTPS" and "https" are one.
        """
        numbers = []
        for name in names:
            folded = name.strip().casefold()
            if folded in NO_NAMES:
                numbers.append(0)
            else:
                numbers.append(self.number(self._rules.spellings.get(folded, name.strip())))
        return np.array([*numbers, 0], np.int32)

    def slots(self, protocol: NDArray[np.int16], service_port: NDArray[np.int32]) -> NDArray[np.int32]:
        """What stands for each record's name until it is named(), by protocol and its service end's port (-1 unknown).

        All are below 0, so that they can stand among numbers of names. Shape [n].
        """
        slot = _FIRST_SLOT.take(protocol) + (service_port + 1) * _HAS_PORTS.take(protocol)
        self._met[slot.astype(np.intp)] = True
        return ~slot

    def settle(self) -> None:
        """Names the slots met so far: in one order, whatever the order in which threads met them."""
        for slot in np.flatnonzero(self._met & (self._by_slot < 0)).tolist():
            self._by_slot[slot] = self.number(self._service(slot))

    def named(self, numbers: NDArray[np.int32]) -> NDArray[np.int32]:
        """The numbers, with those of names for what slots() gave before the last settle()."""
        return either(numbers < 0, self._by_slot.take(~numbers), numbers)

    def _service(self, slot: int) -> str:
        """The name of a slot of the table."""
        if slot >= _OTHERS:
            protocol = slot - _OTHERS
            return self._rules.protocols.get(protocol) or (
                UNKNOWN if protocol == _NO_PROTOCOL else f"ip/{protocol}"
            )
        table, port = divmod(slot, _PORTS)
        protocol, name = tuple(PORT_PROTOCOLS.items())[table]
        if not port:
            return UNKNOWN
        return self._rules.ports.get((protocol, port - 1)) or f"{name}/{port - 1}"
