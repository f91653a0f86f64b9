"""What a client calls the device, and the use of it, that a finding is about: by the profile's names where it has any.

A label is text that somebody typed, or pasted. In a sentence of the program it must not read as one: only a few
plain words stand there as they are; whatever else can be printed stands in quotation marks; and what could be a
link, a mail or an IP address is left to the engineer's part.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from ipaddress import ip_address, ip_network
from typing import Any, Final

from flowdiag.aggregator.applications import catalogue_of
from flowdiag.aggregator.labels import label_at
from flowdiag.text.asked import Asked

ONE_DEVICE: Final = "one device"
_ONE_IN: Final = "a device in "
# A device with so much of the octets is told of beside others.
LARGE: Final = 0.2
# Longer names are cut: a sentence has to be read at one go.
LONGEST: Final = 40
_PLAIN: Final = re.compile(r"[^\W_]+(?:[ -][^\W_]+){0,3}")
_LEFT_OUT: Final = re.compile(r"[.:/\\@\"“”„‟]")
_ARTICLE: Final = re.compile(r"(?:the|our|your|my|an?)\s+", re.IGNORECASE)
_A_NETWORK: Final = re.compile(r".*\b(?:networks?|subnet|v?lan|wi-?fi)", re.IGNORECASE)
# Uses that tell a client something; "web" is nearly everything.
_USES: Final = {
    "video calls": "video calls",
    "voice": "phone calls",
    "file synchronisation": "file synchronisation",
    "backup": "a data backup",
    "software update": "software updates",
    "remote desktop": "remote desktop sessions",
    "mail": "mail",
    "file sharing": "file sharing",
    "peer to peer": "peer-to-peer sharing",
}
# From this share of the octets on, a use is what most of it was.
MOSTLY: Final = 0.6


def device(case: Asked, host: Mapping[str, Any]) -> str:
    """ "your imaging archive", "a device in your imaging network", "one device"; host: a row of a finding's evidence."""
    try:
        place = ip_address(host["address"])
    except (KeyError, ValueError):  # evidence that names no address
        return ONE_DEVICE
    label = label_at(case.profile, place)
    name = None if label is None else _spoken(label.name)
    if label is None or name is None:
        return ONE_DEVICE
    if ip_network(label.network, strict=False).prefixlen == place.max_prefixlen:
        return f"the device {name}" if name.startswith("“") else f"your {name}"
    if name.startswith("“") or not _A_NETWORK.fullmatch(name):
        return f"{_ONE_IN}your network {name if name.startswith('“') else f'“{name}”'}"
    return f"{_ONE_IN}your {name}"


def named_device(case: Asked, hosts: Sequence[Mapping[str, Any]]) -> str | None:
    """What a client calls the device that has most of a finding's octets; None where nobody gave it a name.

    hosts: rows of a finding's evidence, the largest first.
    """
    if not hosts or hosts[0]["share"] < MOSTLY:
        return None
    name = device(case, hosts[0])
    return None if name == ONE_DEVICE else name


def named_among(case: Asked, hosts: Sequence[Mapping[str, Any]]) -> str:
    """What follows "by many devices": " in your network “cameras”" where those of one name have most of the octets; else
    " together", with ", among them your imaging archive" where one with a name of its own is among the largest.
    """
    names = [(device(case, host), host["share"]) for host in hosts]
    parts: dict[str, float] = {}
    for name, share in names:
        parts[name] = parts.get(name, 0.0) + share
    for name, share in parts.items():
        if name.startswith(_ONE_IN) and share >= MOSTLY:
            return f" in {name.removeprefix(_ONE_IN)}"
    told = next((name for name, share in names if name != ONE_DEVICE and share >= LARGE), None)
    return " together" if told is None else f" together, among them {told}"


def _spoken(label: str) -> str | None:
    """A label as it may stand in a sentence; None where it may not."""
    name = _ARTICLE.sub("", " ".join(label.split()), count=1) if _ARTICLE.match(label) else label.strip()
    if not name or not name.isprintable() or _LEFT_OUT.search(name):
        return None
    if len(name) > LONGEST:
        return f"“{name[: LONGEST - 1].rstrip()}…”"
    return name if _PLAIN.fullmatch(name) else f"“{name}”"


def use(case: Asked, evidence: Mapping[str, Any]) -> str:
    """ ", by the look of it software updates"; empty where no use that means something to a client had most of it."""
    applications = evidence.get("applications") or ()
    if not applications or applications[0]["share"] < MOSTLY:
        return ""
    said = _USES.get(catalogue_of(case.profile).class_of(applications[0]["application"]))
    return f", by the look of it {said}" if said else ""
