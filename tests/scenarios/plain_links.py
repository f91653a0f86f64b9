"""Failovers, leaks, keepalives, outages and gaps, with the simplest traffic (see plain_traffic.py)."""

from __future__ import annotations

from typing import Any

import numpy as np
from msgspec.structs import replace

from flowdiag.scenario import activities as do
from flowdiag.scenario import trouble
from flowdiag.scenario.scene import MINUTE
from flowdiag.scenario.site import SiteKeepalive
from tests.scenarios.plain_traffic import ROOMY, flow, plan
from tests.scenarios.stage import Stage, situation


@situation
def a_short_failover_in_the_window(s: Stage) -> None:
    s.site(plans=ROOMY, backup=True)
    scene = s.open(90, background=s.uniform(0.01, 0.05))
    begin = s.at(s.uniform(30, 40))
    end = begin + round(s.uniform(2, 6) * MINUTE)
    scene.network.fail(0, begin, end, backup=1, gap_ms=s.choose((1000, 15_000)))
    s.look(15, 75)
    s.want("on-backup", severity="critical", link="lte", start=begin, end=end)
    s.forbid("flapping", "outage", "backup-leak")
    s.verdict("on-backup")


@situation
def a_failover_of_a_quiet_site(s: Stage) -> None:
    s.site(plans=ROOMY, backup=True)
    scene = s.open(120, hosts=3, background=0)
    do.web(scene, s.start, s.end, 0.15, per_host_hour=60)
    do.dns(scene, s.start, s.end, per_host_hour=60)
    begin, end = s.at(40), s.at(75)
    scene.network.fail(0, begin, end, backup=1, gap_ms=3000)
    s.extra_tolerance = MINUTE
    s.look(30, 90)
    s.want("on-backup", severity="critical", link="lte", start=begin, end=end)
    s.forbid("flapping", "outage", "backup-leak")
    s.verdict("on-backup")


@situation
def steady_flows_fail_over(s: Stage) -> None:
    """A few long flows at constant rates, cut by the change of route."""
    s.router(active_s=s.choose((60, 300, 1800)))
    s.site(plans=ROOMY, backup=True)
    scene = s.open(120, background=0, hosts=8)
    for host in scene.hosts:
        for begin in np.arange(0, 118, 4.0):
            length = s.uniform(2, 4)
            flow(s, host, begin, min(begin + length, 120), down=0.5, up=0.06)
    begin_ms, end_ms = s.at(40), s.at(70)
    scene.network.fail(0, begin_ms, end_ms, backup=1, gap_ms=2000)
    s.look(30, 100)
    s.want("on-backup", severity="critical", link="lte", start=begin_ms, end=end_ms)
    s.forbid("flapping", "outage", "backup-leak")
    s.verdict("on-backup")


@situation
def flapping_by_the_minute(s: Stage) -> None:
    s.site(plans=ROOMY, backup=True)
    scene = s.open(80, background=0.05)
    for number in range(5):
        begin = s.at(15 + 8 * number)
        away = s.uniform(45, 80)
        scene.network.fail(0, begin, begin + round(away * 1000), backup=1, gap_ms=1000)
    s.look(10, 70)
    s.want("flapping", severity="critical", link="lte", start=s.at(15))
    s.allow("on-backup")
    s.forbid("outage", "backup-leak")
    s.verdict("flapping")


@situation
def ipv6_alone_leaks_steadily(s: Stage) -> None:
    s.router(protocol=s.choose(("ipfix", "netflow9")))
    s.site((100, 40), backup=True, v6=True)
    scene = s.open(120, background=0.02)
    for begin in range(2, 110, 6):
        host = int(s.choose(scene.hosts6[:4]))
        server = int(scene.servers(1, v6=True)[0])
        flow(s, host, begin, begin + 5, server=server, down=2.0, up=0.2, link=1)
    s.look(20, 100)
    s.want("backup-leak", link="lte")
    s.forbid("on-backup", "flapping")
    s.verdict("backup-leak")


@situation
def one_device_leaks_for_twenty_minutes_of_a_day(s: Stage) -> None:
    s.router(active_s=60)
    s.site(plans=ROOMY, backup=True, hours="Mon-Fri 08:00-18:00")
    scene = s.open(10 * 60, at=(8, 0), background=0.03, hosts=8, step_ms=5000)
    host = scene.hosts[2]
    for begin in range(200, 220, 4):
        flow(s, host, begin, begin + 3.5, down=0.4, up=0.03, link=1)
    s.look(180, 240)
    s.want("backup-leak", link="lte", hosts={s.address(host): 1.0})
    s.forbid("on-backup", "flapping")
    s.verdict("not-the-link")


@situation
def a_failover_and_later_a_leak(s: Stage) -> None:
    s.site((100, 40), backup=True)
    scene = s.open(150, background=0.05)
    begin, end = s.at(25), s.at(50)
    scene.network.fail(0, begin, end, backup=1, gap_ms=2000)
    for start in range(70, 140, 5):
        flow(s, scene.hosts[1], start, start + 4, down=0.3, up=0.05, link=1)
    s.look(15, 140)
    s.want("on-backup", severity="critical", link="lte", start=begin, end=end)
    s.want("backup-leak", link="lte", hosts={s.address(scene.hosts[1]): 1.0})
    s.forbid("flapping", "outage")
    s.verdict("on-backup")


def _kept(s: Stage, spec: SiteKeepalive, minutes: float = 100, **router: Any) -> None:
    if router:
        s.router(**router)
    s.site((100, 20), backup=True, keepalives=(spec,))
    s.custom_keepalives()
    s.open(minutes)
    s.look(10, minutes - 10)
    s.forbid("on-backup", "backup-leak", "outage")


@situation
def keepalives_in_long_records(s: Stage) -> None:
    spec = SiteKeepalive("198.51.100.1", interval_s=s.choose((1, 5, 10)))
    _kept(s, spec, 120, active_s=s.choose((300, 1800)), idle_s=s.choose((15, 60)))
    do.keepalive(s.scene, 1, spec, s.start, s.end)
    s.healthy = True
    s.forbid("keepalive-missing", "keepalive-unanswered", "keepalive-excess", "keepalive-irregular")


@situation
def a_record_for_each_keepalive(s: Stage) -> None:
    spec = SiteKeepalive("198.51.100.1", interval_s=s.choose((20, 30, 60)))
    _kept(s, spec, 120, idle_s=s.choose((10, 15)))
    do.keepalive(s.scene, 1, spec, s.start, s.end)
    s.healthy = True
    s.forbid("keepalive-missing", "keepalive-unanswered", "keepalive-excess", "keepalive-irregular")


@situation
def keepalives_pause_in_long_records(s: Stage) -> None:
    spec = SiteKeepalive("198.51.100.1", interval_s=s.choose((5, 10)))
    _kept(s, spec, 150, active_s=s.choose((300, 1800)), idle_s=s.choose((15, 60)))
    do.keepalive(s.scene, 1, spec, s.start, s.at(60))
    do.keepalive(s.scene, 1, spec, s.at(68), s.end)
    s.want("keepalive-missing", severity="warning", link="lte", start=s.at(60), end=s.at(68))
    s.forbid("keepalive-unanswered", "keepalive-excess")


@situation
def two_keepalives_are_lost(s: Stage) -> None:
    spec = SiteKeepalive("198.51.100.1", interval_s=s.choose((10, 30)))
    _kept(s, spec)
    pause = s.at(50)
    do.keepalive(s.scene, 1, spec, s.start, pause)
    # Each series begins anywhere in its interval, so that one or two are missing, never three.
    do.keepalive(s.scene, 1, spec, pause + 1400 * spec.interval_s, s.end)
    s.healthy = True
    s.forbid("keepalive-missing", "keepalive-unanswered", "keepalive-excess", "keepalive-irregular")


@situation
def replies_stop_halfway(s: Stage) -> None:
    spec = SiteKeepalive("198.51.100.1", interval_s=s.choose((5, 10, 30)))
    _kept(s, spec)
    do.keepalive(s.scene, 1, spec, s.start, s.at(50))
    do.keepalive(s.scene, 1, spec, s.at(50), s.end, answered=False)
    s.want("keepalive-unanswered", severity="warning", link="lte", start=s.at(50))
    s.forbid("keepalive-missing", "keepalive-excess")


@situation
def every_third_reply_is_lost(s: Stage) -> None:
    """A poor cellular path loses some; that is not a dead one."""
    spec = SiteKeepalive("198.51.100.1", interval_s=10)
    _kept(s, spec)
    for third in range(3):
        do.keepalive(
            s.scene, 1, replace(spec, interval_s=30), s.start + third * 10_000, s.end, answered=third < 2
        )
    s.healthy = True
    s.forbid("keepalive-missing", "keepalive-unanswered", "keepalive-excess")


@situation
def keepalives_at_twelve_times_the_budget(s: Stage) -> None:
    spec = SiteKeepalive("198.51.100.1", interval_s=30)
    _kept(s, spec)
    do.keepalive(s.scene, 1, spec, s.start, s.end, interval_s=2.5)
    s.want("keepalive-excess", severity="warning", link="lte")
    s.forbid("keepalive-missing", "keepalive-unanswered")


@situation
def keepalives_four_times_too_often(s: Stage) -> None:
    spec = SiteKeepalive("198.51.100.1", interval_s=s.choose((10, 20)))
    _kept(s, spec)
    do.keepalive(s.scene, 1, spec, s.start, s.end, interval_s=spec.interval_s / 4)
    s.want("keepalive-irregular", severity="info", link="lte")
    s.forbid("keepalive-missing", "keepalive-unanswered", "keepalive-excess")


@situation
def keepalives_almost_twice_too_slow(s: Stage) -> None:
    spec = SiteKeepalive("198.51.100.1", interval_s=s.choose((10, 20)))
    _kept(s, spec)
    do.keepalive(s.scene, 1, spec, s.start, s.end, interval_s=spec.interval_s * 1.9)
    s.want("keepalive-irregular", severity="info", link="lte")
    s.forbid("keepalive-missing", "keepalive-unanswered", "keepalive-excess")


@situation
def the_main_link_fails_and_the_backup_does_not_take_over(s: Stage) -> None:
    """Only keepalives run on the backup all the while."""
    s.router(template_interval_s=60)
    s.site(plans=ROOMY, backup=True)
    scene = s.open(100, background=0.05)
    begin, end = s.at(40), s.at(55)
    scene.network.fail(0, begin, end)
    trouble.stranded(scene, begin + 1000, end - 4000, 25)
    s.look(30, 80)
    s.want("outage", severity="critical", start=begin, end=end)
    s.allow("unanswered-connections")
    s.forbid("on-backup", "flapping", "keepalive-missing")
    s.verdict("outage")


@situation
def down_while_the_lan_goes_on(s: Stage) -> None:
    """No templates in between: only traffic between two inside hosts shows that the exporter lives."""
    s.router(template_interval_s=600)
    s.site(plans=ROOMY, hours=s.choose((None, "Mon-Fri 07:00-19:00")))
    scene = s.open(100, background=0.05)
    begin, end = s.at(40), s.at(s.uniform(46, 60))
    scene.network.fail(0, begin, end)
    for minute in range(99):
        flow_local(s, minute)
    s.look(30, 80)
    s.want("outage", severity="critical", start=begin, end=end)
    s.allow("unanswered-connections")
    s.verdict("outage")


def flow_local(s: Stage, minute: int) -> None:
    do.local_copy(s.scene, s.scene.hosts[0], s.scene.hosts[1], s.at(minute), s.at(minute + 0.8), 0.4)


@situation
def eight_silent_minutes_of_the_exporter(s: Stage) -> None:
    s.site(plans=ROOMY, backup=bool(s.rng.random() < 0.5))
    s.open(90, background=0.05)
    s.router(active_s=60, silent=((s.at(40), s.at(48)),), silent_counted=s.choose((True, False)))
    s.look(20, 80)
    s.want("export-gap", severity="warning")
    s.forbid("outage", "on-backup", "keepalive-missing", "flapping")


@situation
def full_in_the_third_that_was_exported(s: Stage) -> None:
    s.site(plans=ROOMY)
    scene = s.open(120, background=0.03)
    flow(s, scene.hosts[0], 10, 110, up=plan(s)[1] * 0.96)
    s.router(active_s=60, silent=((s.at(45), s.at(100)),), silent_counted=True)
    s.look(20, 110)
    s.automatic = False
    s.want("link-full", severity="critical", link="fibre", direction="up")
    s.want("export-gap", severity="warning")
    s.allow("link-busy")
    s.verdict("link-full")


@situation
def only_the_last_third_was_exported(s: Stage) -> None:
    s.site(plans=ROOMY)
    s.open(40, background=0.04)
    s.window = (s.start // MINUTE * MINUTE - 60 * MINUTE, s.start // MINUTE * MINUTE + 30 * MINUTE)
    s.want("export-gap", severity="warning")
    s.forbid("outage")
    s.verdict("cannot-tell")
