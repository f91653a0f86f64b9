"""Answers that come back by another link than the request left; and what resembles that."""

from __future__ import annotations

from flowdiag.scenario import activities as do
from tests.scenarios.stage import Stage, situation


@situation
def answers_come_back_by_the_other_line(s: Stage) -> None:
    """A route of the carrier sends what belongs to some hosts over the backup's line."""
    s.site((100, 40), backup=True)
    scene = s.open(60, background=0.05)
    hosts = tuple(scene.hosts[1:5])
    do.web(scene, s.start, s.end, 4.0, hosts=list(hosts), per_host_hour=120)
    s.answered_by = (hosts, 1)
    s.automatic = False  # the truth of the links does not know of it
    s.want("asymmetric-path", severity="warning", link="lte")
    s.allow("backup-leak", "single-host")
    s.forbid("on-backup", "flapping", "outage")
    s.verdict("asymmetric-path")


@situation
def a_few_answers_come_back_by_the_other_line(s: Stage) -> None:
    """One host with little traffic: told, and no reason for the complaint."""
    s.site((100, 40), backup=True)
    scene = s.open(60, background=0.15)
    hosts = (scene.hosts[3],)
    do.web(scene, s.start, s.end, 0.4, hosts=list(hosts), per_host_hour=120)
    s.answered_by, s.answered_most = (hosts, 1), 0.15
    s.automatic = False
    s.want("asymmetric-path", severity="warning", link="lte")
    s.allow("backup-leak", "single-host")
    s.forbid("on-backup", "flapping", "outage")
    s.verdict("not-the-link", "backup-leak")


@situation
def a_device_on_the_backup_in_both_directions(s: Stage) -> None:
    """A leak: its requests and answers take the same way."""
    s.site((100, 40), backup=True)
    scene = s.open(60, background=0.05)
    do.web(scene, s.start, s.end, 0.9, hosts=list(scene.hosts[1:3]), per_host_hour=90, link=1)
    s.want("backup-leak", link="lte")
    s.forbid("asymmetric-path", "on-backup", "flapping")
    s.verdict("backup-leak")


@situation
def a_failover_in_the_midst_of_conversations(s: Stage) -> None:
    """What began on one line and went on over the other: its two directions change together."""
    s.site((100, 40), backup=True)
    scene = s.open(60, background=0.08)
    scene.network.fail(0, s.at(20), s.at(35), backup=1, gap_ms=3000)
    s.want("on-backup")
    s.forbid("asymmetric-path")
    s.verdict("on-backup")
