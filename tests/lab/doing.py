"""What a run of the lab is made of: who sends what from when to when, and what becomes of the uplinks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

Protocol = Literal["ipfix", "netflow"]
Host = Literal["studio", "office"]
# What is done to the network: an uplink is cut or joined again, everything goes by one, or one host's traffic by the backup.
Step = Literal["cut main", "cut backup", "join main", "join backup", "by main", "by backup", "leak"]


@dataclass(frozen=True)
class Rates:
    """Mbit/s."""

    down: float
    up: float


@dataclass(frozen=True)
class Does:
    """A program of traffic.py: from `start_s` on, for `seconds`. numbers: its own words after the seconds."""

    start_s: float
    seconds: float
    host: Host
    kind: Literal["download", "upload", "datagrams", "web"]
    server: str
    numbers: tuple[float, ...] = ()


@dataclass(frozen=True)
class Run:
    """seconds: of traffic; shaped, backup: what `tc` gives the uplinks; plan: what the profile says of the main one.

    rates: from which second on the main uplink gives which part of `shaped`; wandering: the profile says that it does so.
    """

    name: str
    about: str
    seconds: int
    does: tuple[Does, ...]
    steps: tuple[tuple[float, Step], ...] = ()
    protocol: Protocol = "ipfix"
    shaped: Rates = Rates(12, 3)
    backup: Rates = Rates(4, 1)
    plan: Rates = field(default=Rates(12, 3))
    rates: tuple[tuple[float, float], ...] = ()
    wandering: bool = False


PAGES, ARCHIVE, FILES, CALLS = "203.0.113.10", "203.0.113.20", "203.0.113.30", "203.0.113.40"
SERVERS: Final = (PAGES, ARCHIVE, FILES, CALLS)


def pages(host: Host, seconds: float, seed: int, start_s: float = 0.0, most_octets: int = 60_000) -> Does:
    return Does(start_s, seconds, host, "web", PAGES, (seed, most_octets))


def downloads(
    host: Host, start_s: float, seconds: float, streams: int = 1, mbps: float = 0.0, server: str = FILES
) -> Does:
    return Does(start_s, seconds, host, "download", server, (streams, mbps))


def uploads(host: Host, start_s: float, seconds: float, streams: int = 1) -> Does:
    return Does(start_s, seconds, host, "upload", ARCHIVE, (streams,))
