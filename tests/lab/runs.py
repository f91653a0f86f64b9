"""What is done in each run of the lab: who sends what from when to when, and what becomes of the uplinks."""

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
    """seconds: of traffic; shaped, backup: what `tc` gives the uplinks; plan: what the profile says of the main one."""

    name: str
    about: str
    seconds: int
    does: tuple[Does, ...]
    steps: tuple[tuple[float, Step], ...] = ()
    protocol: Protocol = "ipfix"
    shaped: Rates = Rates(12, 3)
    backup: Rates = Rates(4, 1)
    plan: Rates = field(default=Rates(12, 3))


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


RUNS: Final = (
    Run(
        "download-full",
        "one host downloads as fast as the line goes, the other looks at pages",
        80,
        (downloads("studio", 5, 70, 2), pages("office", 78, 1)),
    ),
    Run(
        "upload-full",
        "one host uploads as fast as the line goes, and the round trip shows it",
        74,
        (uploads("studio", 4, 68), pages("office", 72, 2)),
    ),
    Run(
        "line-under-plan",
        "the line gives 60% of its plan, and two hosts download as fast as that goes",
        90,
        (
            downloads("studio", 4, 82),
            downloads("office", 8, 76, server=ARCHIVE),
            pages("office", 88, 3),
        ),
        shaped=Rates(7.2, 3),
    ),
    Run(
        "failover-and-back",
        "the main uplink is cut; all goes by the backup; then it is back",
        100,
        (pages("studio", 98, 4), pages("office", 98, 5), downloads("studio", 0, 98, 1, 1.0)),
        ((30, "cut main"), (32, "by backup"), (70, "join main"), (71, "by main")),
    ),
    Run(
        "light-pages",
        "two hosts look at pages; nothing is wrong",
        70,
        (pages("studio", 68, 6), pages("office", 68, 7)),
    ),
    Run(
        "short-full-spell",
        "twenty seconds of a full download in ninety light ones",
        90,
        (pages("studio", 88, 8), pages("office", 88, 9), downloads("studio", 40, 20, 2)),
    ),
    Run(
        "both-cut",
        "both uplinks are cut for three quarters of a minute, and the hosts go on trying",
        85,
        (
            pages("studio", 83, 10),
            pages("office", 83, 11),
            pages("studio", 83, 12, most_octets=20_000),
            pages("office", 83, 13, most_octets=20_000),
        ),
        ((20, "cut main"), (20, "cut backup"), (65, "join main"), (65, "join backup")),
    ),
    Run(
        "more-than-fits",
        "a host sends 5 Mbit/s of datagrams into an upload of 3",
        80,
        (Does(6, 70, "office", "datagrams", CALLS, (5.0,)), pages("studio", 78, 14)),
    ),
    Run(
        "backup-leak",
        "one host's traffic goes by the backup while the main line works",
        90,
        (
            pages("studio", 88, 15),
            downloads("studio", 2, 84, 1, 1.0),
            pages("office", 88, 16, most_octets=30_000),
            downloads("office", 6, 78, 1, 1.2, ARCHIVE),
        ),
        ((0, "leak"),),
    ),
    Run(
        "slow-server",
        "one host waits for a server that gives 3 of the line's 12 Mbit/s",
        80,
        (downloads("studio", 4, 72, 1, 3.0), pages("office", 78, 17)),
    ),
    Run(
        "full-backup",
        "everything goes by the backup, and one download fills it",
        110,
        (pages("office", 108, 18), downloads("studio", 0, 108, 2)),
        ((20, "cut main"), (22, "by backup"), (90, "join main"), (91, "by main")),
    ),
    Run(
        "download-full-netflow",
        "as download-full, told by NetFlow v5",
        80,
        (downloads("studio", 5, 70, 2), pages("office", 78, 1)),
        protocol="netflow",
    ),
)  # fmt: skip


def named(name: str) -> Run:
    return next(run for run in RUNS if run.name == name)
