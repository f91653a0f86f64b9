"""Service classes of DiffServ code points, and how much of a link's usage each class has.

Names and classes are those of RFC 4594 figure 3; LE is RFC 8622, VOICE-ADMIT RFC 5865. Class selectors are 8 * n
(RFC 2474 4.2.2), assured forwarding AFxy is 8 * x + 2 * y (RFC 2597 6).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct

from flowdiag.aggregator.carried import Carried

NOT_EXPORTED: Final = "not exported"
NO_STANDARD_CLASS: Final = "no standard class"

# Code point: (service class, name of the code point).
SERVICE_CLASSES: Final[dict[int, tuple[str, str]]] = {
    56: ("Network Control", "CS7"),
    48: ("Network Control", "CS6"),
    46: ("Telephony", "EF"),
    44: ("Telephony", "VOICE-ADMIT"),
    40: ("Signaling", "CS5"),
    34: ("Multimedia Conferencing", "AF41"),
    36: ("Multimedia Conferencing", "AF42"),
    38: ("Multimedia Conferencing", "AF43"),
    32: ("Real-Time Interactive", "CS4"),
    26: ("Multimedia Streaming", "AF31"),
    28: ("Multimedia Streaming", "AF32"),
    30: ("Multimedia Streaming", "AF33"),
    24: ("Broadcast Video", "CS3"),
    18: ("Low-Latency Data", "AF21"),
    20: ("Low-Latency Data", "AF22"),
    22: ("Low-Latency Data", "AF23"),
    16: ("OAM", "CS2"),
    10: ("High-Throughput Data", "AF11"),
    12: ("High-Throughput Data", "AF12"),
    14: ("High-Throughput Data", "AF13"),
    0: ("Standard", "DF"),
    8: ("Low-Priority Data", "CS1"),
    1: ("Low-Priority Data", "LE"),
}


class ClassUsage(Struct, frozen=True):
    """names: the code points seen, by name ("DSCP 5" where it has none). share: of the direction's octets, 0 to 1."""

    service_class: str
    names: tuple[str, ...]
    octets: int
    packets: int
    share: float


def service_class(dscp: int) -> str:
    """The service class of a code point; -1 is one that was not exported."""
    if dscp < 0:
        return NOT_EXPORTED
    return SERVICE_CLASSES.get(dscp, (NO_STANDARD_CLASS, ""))[0]


def code_point_name(dscp: int) -> str:
    return SERVICE_CLASSES[dscp][1] if dscp in SERVICE_CLASSES else f"DSCP {dscp}"


def usage_by_class(
    carried: Carried, link: int, direction: int, window_ms: tuple[int, int]
) -> tuple[ClassUsage, ...]:
    """Octets and packets of a link direction inside [from, to) by service class, most octets first."""
    octets, packets = carried.by_code_point(link, direction, window_ms)
    total = float(octets.sum()) or 1.0
    by_class: dict[str, list[int]] = {}
    for dscp in (np.flatnonzero(packets) - 1).tolist():
        by_class.setdefault(service_class(dscp), []).append(dscp)
    found = [
        ClassUsage(
            service_class=name,
            names=tuple(code_point_name(dscp) for dscp in points if dscp >= 0),
            octets=round(sum(float(octets[dscp + 1]) for dscp in points)),
            packets=round(sum(float(packets[dscp + 1]) for dscp in points)),
            share=sum(float(octets[dscp + 1]) for dscp in points) / total,
        )
        for name, points in by_class.items()
    ]
    return tuple(sorted(found, key=lambda usage: (-usage.octets, usage.service_class)))
