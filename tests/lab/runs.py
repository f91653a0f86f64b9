"""What is done in each run of the lab that has a name."""

from __future__ import annotations

from typing import Final

from tests.lab.chance import PREFIX, run_by_chance
from tests.lab.doing import ARCHIVE, CALLS, Does, Rates, Run, downloads, pages, uploads

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
    if name.startswith(PREFIX):
        return run_by_chance(int(name.removeprefix(PREFIX)))
    return next(run for run in RUNS if run.name == name)
