"""Failovers, sites stuck on their backup, flapping, leaks; and what resembles them."""

from __future__ import annotations

from msgspec.structs import replace

from flowdiag.scenario import activities as do
from flowdiag.scenario.scene import HOUR
from flowdiag.scenario.site import SiteKeepalive, SiteLink
from tests.scenarios.stage import Stage, situation


@situation
def a_failover_and_back(s: Stage) -> None:
    s.site(backup=True)
    scene = s.open(120, background=0.04)
    begin, end = s.at(s.uniform(25, 45)), s.at(s.uniform(70, 90))
    scene.network.fail(0, begin, end, backup=1, gap_ms=s.choose((1000, 3000, 20_000)))
    s.look(20, 110)
    s.want("on-backup", severity="critical", start=begin, end=end)
    s.forbid("flapping", "outage", "backup-leak")
    s.verdict("on-backup")


@situation
def on_a_full_backup(s: Stage) -> None:
    s.site((100, 20), backup=True)
    scene = s.open(120, background=0.03)
    begin, end = s.at(30), s.at(95)
    scene.network.fail(0, begin, end, backup=1, gap_ms=2000)
    backup = s.the_site.links[1]
    do.upload(scene, scene.hosts[0], s.at(40), backup.up_mbps * 0.9 / 8 * 60 * 30, application="file-sync")
    s.look(30, 90)
    s.want("on-backup", severity="critical", start=begin, end=end)
    s.want("link-full", severity="critical", link="lte", direction="up")
    s.verdict("on-backup")
    s.forbid("flapping", "outage")


@situation
def stuck_on_the_backup(s: Stage) -> None:
    s.site(backup=True)
    scene = s.open(120, background=0.02)
    begin = s.at(35)
    scene.network.fail(0, begin, s.end, backup=1, gap_ms=5000)
    s.look(30, 110)
    s.want("on-backup", severity="critical", start=begin)
    s.verdict("on-backup")
    s.forbid("flapping", "outage", "backup-leak")


@situation
def on_one_backup_while_the_other_is_dead(s: Stage) -> None:
    """What happens next is about the other one too: it would have to take over if the first one failed."""
    s.router(active_s=60)
    s.site(backup=True)
    spec = SiteKeepalive("198.51.100.9", interval_s=10)
    spare = SiteLink("satellite", 20, 4, (251,), "backup", keepalives=(spec,))
    s.the_site = replace(s.the_site, links=(*s.the_site.links, spare))
    scene = s.open(120, background=0.02)
    silent = bool(s.rng.random() < 0.5)  # from shortly before on, or sent and never answered
    do.keepalive(scene, 2, spec, s.start, s.at(28) if silent else s.end, answered=silent)
    begin, end = s.at(30), s.at(s.uniform(80, 100))
    scene.network.fail(0, begin, end, backup=1, gap_ms=2000)
    s.look(20, 110)
    s.want("on-backup", severity="critical", link="lte", start=begin, end=end)
    s.want("keepalive-missing" if silent else "keepalive-unanswered", severity="warning", link="satellite")
    s.verdict("on-backup")
    s.says("your other backup line")


@situation
def on_the_backup_all_along(s: Stage) -> None:
    s.site(backup=True)
    scene = s.open(90, background=0.02)
    scene.network.fail(0, s.start, s.end, backup=1)
    s.want("on-backup", severity="critical")
    s.verdict("on-backup")
    s.forbid("flapping", "outage", "backup-leak")


@situation
def a_flapping_line(s: Stage) -> None:
    s.site(backup=True)
    scene = s.open(90, background=0.04)
    minute = 15.0
    first = s.at(minute)
    for _ in range(int(s.rng.integers(4, 7))):
        away = s.uniform(2, 4)
        scene.network.fail(0, s.at(minute), s.at(minute + away), backup=1, gap_ms=2000)
        last = s.at(minute + away)
        minute += away + s.uniform(2, 5)
    s.look(10, 80)
    s.want("flapping", severity="critical", start=first, end=last)
    s.allow("on-backup")
    s.verdict("flapping")
    s.forbid("outage", "backup-leak")


@situation
def two_failovers_hours_apart(s: Stage) -> None:
    s.site(backup=True)
    scene = s.open(7 * 60, background=0.03, hosts=10)
    for hour in (1, 5):
        scene.network.fail(0, s.at(60 * hour), s.at(60 * hour + 20), backup=1, gap_ms=3000)
        s.want("on-backup", severity="critical", start=s.at(60 * hour), end=s.at(60 * hour + 20))
    s.verdict("on-backup")
    s.forbid("flapping", "outage", "backup-leak")


@situation
def a_failover_before_the_window(s: Stage) -> None:
    s.site(backup=True)
    scene = s.open(200, background=0.04)
    begin, end = s.at(20), s.at(45)
    scene.network.fail(0, begin, end, backup=1, gap_ms=3000)
    s.look(120, 180)
    s.want("on-backup", severity="info", start=begin, end=end)
    s.forbid("flapping", "outage", "backup-leak")


@situation
def lingering_after_the_failback(s: Stage) -> None:
    s.site(backup=True)
    scene = s.open(120, background=0.04)
    scene.network.keeps_on_failback = True
    begin, end = s.at(30), s.at(60)
    scene.network.fail(0, begin, end, backup=1, gap_ms=2000)
    for host in scene.hosts[:3]:  # began on the backup, finish there
        do.video_call(scene, host, s.at(s.uniform(45, 55)), s.at(s.uniform(68, 74)), mbps=0.4)
    do.download(scene, scene.hosts[-1], s.at(57), 25, cap_mbps=0.5)
    s.look(20, 110)
    s.want("on-backup", severity="critical", start=begin)
    s.forbid("backup-leak", "flapping", "outage")
    s.verdict("on-backup")


@situation
def one_device_leaks_onto_the_backup(s: Stage) -> None:
    """A policy route that was forgotten: far under a twentieth of the site's octets, so no answer to a
    complaint.
    """
    _leak(s, 0.01)
    s.look(20, 100)


@situation
def a_leak_found_in_an_audit(s: Stage) -> None:
    _leak(s, 0.015)
    s.audit()
    s.verdict("backup-leak")


def _leak(s: Stage, part: float) -> None:
    s.site((100, 40), backup=True)
    scene = s.open(120, background=0.06)
    mbps = 100 * 0.06 * part
    host = scene.hosts[3]
    do.web(scene, s.start, s.end, mbps, hosts=[host], per_host_hour=60, link=1)
    s.want("backup-leak", severity="warning", link="lte", hosts={s.address(host): 1.0})
    s.forbid("on-backup", "flapping")


@situation
def a_large_leak(s: Stage) -> None:
    s.site((100, 40), backup=True)
    scene = s.open(120, background=0.05)
    hosts = scene.hosts[1:3]
    do.web(scene, s.start, s.end, 0.9, hosts=hosts, per_host_hour=90, link=1)
    s.want("backup-leak", link="lte")
    s.forbid("on-backup", "flapping")
    s.verdict("backup-leak")


@situation
def a_leak_beyond_the_allowance(s: Stage) -> None:
    """0.7 Mbit/s around the clock are 227 GB in thirty days."""
    s.site((100, 40), backup=True, allowance_gb=20)
    scene = s.open(180, background=0.05)
    do.web(scene, s.start, s.end, 0.7, hosts=[scene.hosts[0]], per_host_hour=90, link=1)
    s.want("backup-leak", severity="critical", link="lte", hosts={s.address(scene.hosts[0]): 1.0})
    s.verdict("backup-leak")


@situation
def only_ipv6_leaks(s: Stage) -> None:
    s.router(protocol=s.choose(("ipfix", "netflow9")))
    s.site((100, 40), backup=True, v6=True)
    scene = s.open(120, background=0.06)
    count = 900
    start = scene.times(s.start, s.end - 5000, count)
    scene.ledger.add(
        start=start, end=start + s.rng.uniform(500, 4000, count), inside=scene.pick(scene.hosts6, count),
        outside=scene.pick(scene.servers(20, v6=True), count), inside_port=scene.ports(count),
        outside_port=443,
        protocol=6, kind=0, down_octets=60_000, down_packets=45, up_octets=4000, up_packets=25, link=1,
        down_flags=0x1B, up_flags=0x1B,
    )  # fmt: skip
    s.want("backup-leak", link="lte")
    s.verdict("backup-leak", "not-the-link")  # near a twentieth of the octets, as the draw falls
    s.forbid("on-backup")


@situation
def an_idle_backup_without_keepalives(s: Stage) -> None:
    s.healthy = True
    s.site(backup=True, keepalives=())
    s.open(90)
    s.look(10, 80)
    s.forbid("on-backup", "keepalive-missing", "backup-leak", "outage")


@situation
def unlisted_keepalives_on_the_backup(s: Stage) -> None:
    """The profile names no keepalive; the router sends some. Nothing is to be alleged."""
    from flowdiag.scenario.site import SiteKeepalive

    s.healthy = True
    s.site(backup=True, keepalives=())
    scene = s.open(90)
    do.keepalive(scene, 1, SiteKeepalive("198.51.100.1"), s.start, s.end)
    s.look(10, 80)
    s.forbid("on-backup", "keepalive-missing", "keepalive-excess", "backup-leak")


@situation
def the_line_was_full_then_failed(s: Stage) -> None:
    s.site((50, 10), backup=True)
    scene = s.open(130, background=0.03)
    do.upload(scene, scene.hosts[0], s.at(15), s.up_megabytes(15))
    begin, end = s.at(60), s.at(100)
    scene.network.fail(0, begin, end, backup=1, gap_ms=2000)
    s.look(10, 120)
    s.want("on-backup", severity="critical", start=begin, end=end)
    s.verdict("on-backup")


@situation
def a_small_leak_while_the_line_is_full(s: Stage) -> None:
    s.site((100, 20), backup=True)
    scene = s.open(120, background=0.05)
    do.web(scene, s.start, s.end, 0.03, hosts=[scene.hosts[3]], per_host_hour=60, link=1)
    do.upload(scene, scene.hosts[0], s.at(30), s.up_megabytes(25))
    s.look(20, 100)
    s.want("backup-leak", severity="warning", link="lte")
    s.verdict("link-full")


@situation
def a_failover_at_night(s: Stage) -> None:
    """Hardly any traffic, but it did move."""
    s.site((100, 20), backup=True, hours="Mon-Fri 08:00-18:00")
    scene = s.open(6 * 60, at=(0, 10), background=0, hosts=8)
    do.web(scene, s.start, s.end, 0.05, per_host_hour=25)
    do.dns(scene, s.start, s.end, per_host_hour=60)
    begin, end = s.start + 2 * HOUR, s.start + 4 * HOUR
    scene.network.fail(0, begin, end, backup=1, gap_ms=2000)
    s.extra_tolerance = 120_000  # the traffic is too thin to show the minute
    s.want("on-backup", severity="critical", start=begin, end=end)
    s.verdict("on-backup")
    s.forbid("outage", "flapping")
