"""The same questions asked with the simplest traffic: flows at constant rates, as a bare generator would write them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from flowdiag.scenario import activities as do
from flowdiag.scenario import trouble
from flowdiag.scenario.ledger import BY_ROUTE, FIN_ALL, STEADY
from flowdiag.scenario.scene import MINUTE
from flowdiag.scenario.site import OVERHEAD_OCTETS, SiteKeepalive
from tests.scenarios.stage import Stage, situation

PACKET = 1400
ROOMY = ((100, 20), (100, 40), (250, 25), (300, 100))


def flow(
    s: Stage,
    host: int,
    server: int,
    begin: float,
    end: float,
    *,
    down: float = 0.0,
    up: float = 0.0,
    port: int = 443,
    inside_port: int | None = None,
    protocol: int = 6,
    dscp: int = 0,
    link: int = BY_ROUTE,
    packet: int = PACKET,
) -> None:
    """One conversation at constant rates (Mbit/s with the first link's framing), begin and end in minutes."""
    link_framing = s.the_site.links[max(link, 0)].framing
    part = packet / (packet + OVERHEAD_OCTETS[link_framing])
    seconds = (end - begin) * 60
    octets = {"down": down * part * 125_000 * seconds, "up": up * part * 125_000 * seconds}
    columns: dict[str, Any] = {}
    for way, other in (("down", "up"), ("up", "down")):
        packets = octets[way] / packet
        answers = octets[other] / packet / 2 if protocol == 6 else 0.0
        columns[f"{way}_octets"] = octets[way] + 40 * answers
        columns[f"{way}_packets"] = packets + answers
    s.scene.ledger.add(
        start=s.at(begin), end=s.at(end), inside=host, outside=server,
        inside_port=int(s.scene.ports(1)[0]) if inside_port is None else inside_port, outside_port=port,
        protocol=protocol, kind=STEADY, dscp=dscp, link=link,
        down_flags=FIN_ALL if protocol == 6 else 0, up_flags=FIN_ALL if protocol == 6 else 0, **columns,
    )  # fmt: skip


def plan(s: Stage) -> tuple[float, float]:
    link = s.the_site.links[0]
    return link.down_mbps, link.up_mbps


@situation
def one_steady_upload_in_long_records(s: Stage) -> None:
    s.router(
        protocol="netflow5", active_s=1800, both_points=False, direction_field=False, application_field=False
    )
    s.site(plans=ROOMY, v6=False)
    scene = s.open(110, background=0.02)
    flow(s, scene.hosts[0], int(scene.servers(1)[0]), 20, 20 + s.uniform(15, 50), up=plan(s)[1] * 0.965)
    s.look(15, 60)
    s.verdict("link-full")


@situation
def equal_steady_downloads_fill_the_link(s: Stage) -> None:
    s.site(plans=ROOMY)
    scene = s.open(80, hosts=14, background=0.01)
    for host in scene.hosts[:10]:
        flow(s, host, int(scene.servers(1)[0]), 20, 45, down=plan(s)[0] * 0.096)
    s.look(15, 60)
    s.forbid("below-plan")
    s.verdict("link-full")


@situation
def one_packet_in_a_thousand_and_full(s: Stage) -> None:
    s.router(sampling=s.choose((512, 1000)))
    s.site(plans=((100, 40), (300, 100), (500, 500)))
    scene = s.open(90, background=0.02)
    flow(s, scene.hosts[0], int(scene.servers(1)[0]), 20, 50, up=plan(s)[1] * 0.965)
    s.look(15, 60)
    s.extra_tolerance = 2 * MINUTE
    s.verdict("link-full")


@situation
def one_packet_in_a_thousand_and_busy(s: Stage) -> None:
    s.router(sampling=s.choose((512, 1000)))
    s.site(plans=((300, 100), (500, 500)))
    scene = s.open(100, background=0.02)
    flow(s, scene.hosts[0], int(scene.servers(1)[0]), 20, 65, down=plan(s)[0] * 0.77)
    s.look(15, 70)
    s.extra_tolerance = 3 * MINUTE
    s.forbid("link-full")
    s.verdict("link-busy")


@situation
def one_packet_in_a_thousand_and_healthy(s: Stage) -> None:
    s.router(sampling=s.choose((512, 1000)))
    s.site(plans=ROOMY, backup=bool(s.rng.random() < 0.5), keepalives=())
    scene = s.open(90, hosts=20)
    flow(s, scene.hosts[0], int(scene.servers(1)[0]), 20, 60, down=plan(s)[0] * 0.4)
    s.look(10, 80)
    s.healthy = True
    s.forbid("unanswered-connections", "outage", "export-gap", "outbound-scan", "below-plan")


def _a_day(s: Stage, **site: Any) -> None:
    s.router(active_s=s.choose((60, 300)))
    s.site(plans=ROOMY, hours="Mon-Fri 08:00-18:00", **site)
    s.open(24 * 60, at=(0, 0), hosts=10, background=0, step_ms=5000)
    for hour in range(24):
        share = 0.05 if 8 <= hour < 18 else 0.001
        per_hour = 60 if share > 0.01 else 6
        do.web(s.scene, s.at(60 * hour), s.at(60 * hour + 60), share * plan(s)[0], per_host_hour=per_hour)
    begin = 60 * s.uniform(1, 3)
    flow(s, s.scene.hosts[0], int(s.scene.servers(1)[0]), begin, begin + 110, up=plan(s)[1] * 0.96)


@situation
def a_backup_at_night_and_a_complaint_by_day(s: Stage) -> None:
    _a_day(s)
    s.look(14 * 60, 15 * 60)
    s.verdict("not-the-link")


@situation
def a_backup_at_night_in_an_audit(s: Stage) -> None:
    _a_day(s)
    s.audit()
    s.verdict("link-full")


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
            flow(s, host, int(scene.servers(1)[0]), begin, min(begin + length, 120), down=0.5, up=0.06)
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
        flow(s, host, int(scene.servers(1, v6=True)[0]), begin, begin + 5, down=2.0, up=0.2, link=1)
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
        flow(s, host, int(scene.servers(1)[0]), begin, begin + 3.5, down=0.4, up=0.03, link=1)
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
        flow(s, scene.hosts[1], int(scene.servers(1)[0]), start, start + 4, down=0.3, up=0.05, link=1)
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
    do.keepalive(s.scene, 1, spec, pause + 2 * spec.interval_s * 1000, s.end)
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
    flow(s, scene.hosts[0], int(scene.servers(1)[0]), 10, 110, up=plan(s)[1] * 0.96)
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


@situation
def a_call_on_a_full_download(s: Stage) -> None:
    s.site(plans=ROOMY)
    scene = s.open(80)
    flow(s, scene.hosts[0], int(scene.servers(1)[0]), 20, 45, down=plan(s)[0] * 0.96)
    do.call(scene, scene.hosts[1], s.at(25), s.at(40))
    s.look(15, 60)
    s.want("realtime-contention", severity="warning", link="fibre", direction="down")
    s.verdict("link-full")


@situation
def a_call_on_a_busy_link(s: Stage) -> None:
    s.site(plans=ROOMY)
    scene = s.open(80, background=0.01)
    flow(s, scene.hosts[0], int(scene.servers(1)[0]), 20, 45, down=plan(s)[0] * 0.79)
    do.call(scene, scene.hosts[1], s.at(25), s.at(40))
    s.look(15, 60)
    s.forbid("realtime-contention", "link-full", "below-plan")
    s.verdict("link-busy")


@situation
def a_call_while_something_else_is_full(s: Stage) -> None:
    """The upload is full in the morning of the export, the call is later."""
    s.site(plans=ROOMY)
    scene = s.open(120)
    flow(s, scene.hosts[0], int(scene.servers(1)[0]), 10, 40, up=plan(s)[1] * 0.96)
    do.video_call(scene, scene.hosts[1], s.at(60), s.at(100), mbps=1.0)
    s.look(5, 110)
    s.forbid("realtime-contention")
    s.verdict("link-full")


@situation
def one_till_cannot_reach_its_payment_service(s: Stage) -> None:
    """One host, since before the export began, most of what the site tries."""
    s.router(sampling=1)
    s.site(plans=ROOMY)
    scene = s.open(90, hosts=6, background=0)
    do.web(scene, s.start, s.end, 1.5, per_host_hour=40)
    do.dns(scene, s.start, s.end, per_host_hour=10)
    trouble.unanswered(scene, scene.hosts[:1], s.start, s.end, 600, server="203.0.113.88", port=443)
    s.look(15, 75)
    s.want("unanswered-connections", severity="warning")
    s.verdict("unanswered-connections")


@situation
def forty_attempts_of_several_hosts(s: Stage) -> None:
    s.router(sampling=1)
    s.site(plans=ROOMY)
    scene = s.open(90, hosts=8, background=0)
    do.web(scene, s.start, s.end, 1.5, per_host_hour=20)
    trouble.unanswered(scene, scene.hosts[:5], s.at(30), s.at(50), 60, server="203.0.113.88", port=993)
    s.look(15, 75)
    s.want("unanswered-connections", severity="warning")
    s.verdict("unanswered-connections")


@situation
def a_service_refuses(s: Stage) -> None:
    """Refused is answered: the far end is there and says no."""
    s.healthy = True
    s.site(plans=ROOMY)
    scene = s.open(90)
    count = 200
    start = scene.times(s.at(20), s.at(70), count)
    scene.ledger.add(
        start=start, end=start + 30, inside=scene.pick(scene.hosts, count), outside=scene.outside("203.0.113.66"),
        inside_port=scene.ports(count), outside_port=443, protocol=6, kind=STEADY, up_octets=60, up_packets=1,
        up_flags=0x02, down_octets=40, down_packets=1, down_flags=0x14,
    )  # fmt: skip
    s.look(15, 75)
    s.forbid("unanswered-connections", "outbound-scan")


@situation
def a_small_flood(s: Stage) -> None:
    s.site(plans=((300, 100), (500, 500)))
    scene = s.open(60, background=0.03)
    target = scene.hosts[0]
    trouble.flood(scene, target, s.at(20), s.at(32), sources=300, packets_per_s=6000)
    s.look(10, 50)
    s.want("inbound-flood", severity="critical", hosts={s.address(target): 1.0})
    s.verdict("inbound-flood")


@situation
def a_flood_that_the_target_answers(s: Stage) -> None:
    """Every SYN gets its SYN and ACK back, and no more comes of it."""
    s.site(plans=((300, 100), (500, 500)))
    scene = s.open(60, background=0.03)
    count, target = 1500, scene.hosts[0]
    begin, end = s.at(20), s.at(40)
    packets = 12_000 * 20 * 60 / count
    scene.ledger.add(
        start=begin, end=end, inside=target, outside=scene.crowd(count), inside_port=443,
        outside_port=scene.rng.integers(1024, 65535, count), protocol=6, kind=STEADY, down_octets=packets * 60,
        down_packets=packets, down_flags=0x02, up_octets=packets * 30, up_packets=packets / 2, up_flags=0x12,
    )  # fmt: skip
    s.look(10, 50)
    s.want("inbound-flood", severity="critical", hosts={s.address(target): 1.0})
    s.allow("link-full", "link-busy")
    s.verdict("inbound-flood")


@situation
def reflected_answers_flood_the_site(s: Stage) -> None:
    """Large answers from name servers that nobody asked."""
    s.site(plans=((300, 100), (500, 500)))
    scene = s.open(60, background=0.03)
    count, target = 800, scene.hosts[0]
    begin, end = s.at(20), s.at(35)
    octets = plan(s)[0] * 0.5 * 125_000 * 15 * 60 / count
    scene.ledger.add(
        start=begin, end=end, inside=target, outside=scene.crowd(count), inside_port=scene.ports(count),
        outside_port=53, protocol=17, kind=STEADY, down_octets=octets, down_packets=octets / 1200,
    )  # fmt: skip
    s.look(10, 50)
    s.want("inbound-flood", severity="critical", hosts={s.address(target): 1.0})
    s.forbid("below-plan")
    s.verdict("inbound-flood")


@situation
def a_sweep_of_one_network(s: Stage) -> None:
    """254 addresses in some minutes."""
    s.site(plans=ROOMY)
    scene = s.open(70)
    host = scene.hosts[1]
    targets = [scene.outside(f"198.18.7.{last}") for last in range(1, 255)]
    start = scene.times(s.at(20), s.at(26), 254)
    scene.ledger.add(
        start=start, end=start + 3000, inside=host, outside=s.rng.permutation(targets), inside_port=scene.ports(254),
        outside_port=s.choose((22, 445, 3389)), protocol=6, kind=STEADY, up_octets=120, up_packets=2, up_flags=0x02,
    )  # fmt: skip
    s.look(10, 60)
    s.want("outbound-scan", severity="critical", hosts={s.address(host): 1.0})
    s.allow("unanswered-connections")
    s.verdict("outbound-scan")


@situation
def a_scan_by_udp(s: Stage) -> None:
    s.site(plans=ROOMY)
    scene = s.open(70)
    host, count = scene.hosts[1], 3000
    start = scene.times(s.at(20), s.at(45), count)
    scene.ledger.add(
        start=start, end=start + 1, inside=host, outside=scene.crowd(count), inside_port=scene.ports(count),
        outside_port=s.choose((161, 5060, 1900)), protocol=17, kind=STEADY, up_octets=70, up_packets=1,
    )  # fmt: skip
    s.look(10, 60)
    s.want("outbound-scan", severity="critical", hosts={s.address(host): 1.0})
    s.verdict("outbound-scan")


@situation
def one_browser_with_hundreds_of_places(s: Stage) -> None:
    """Advertising and cache servers: many addresses in a quarter of an hour, all of which answer."""
    s.healthy = True
    s.site(plans=ROOMY)
    scene = s.open(60)
    count = 900
    start = scene.times(s.at(10), s.at(40), count)
    scene.ledger.add(
        start=start, end=start + s.rng.uniform(200, 5000, count), inside=scene.hosts[0],
        outside=scene.pick(scene.crowd(500), count), inside_port=scene.ports(count), outside_port=443, protocol=6,
        kind=STEADY, up_octets=1500, up_packets=9, down_octets=12_000, down_packets=12, up_flags=FIN_ALL,
        down_flags=FIN_ALL,
    )  # fmt: skip
    s.forbid("outbound-scan", "inbound-flood", "unanswered-connections")


# Below the plan.


def _shaped(s: Stage, level: float, up: bool, weights: np.ndarray) -> None:
    """Ten hosts share a level from minute 15 to 55 by weights of shape [minutes, 10]."""
    scene = s.scene
    servers = scene.servers(10)
    ports = scene.ports(10)
    for minute in range(40):
        shares = weights[minute] / weights[minute].sum() * level * s.uniform(0.985, 1.0)
        for number in range(10):
            rate = float(shares[number])
            if rate < 0.001 * level:
                continue
            flow(
                s, scene.hosts[number], int(servers[number]), 15 + minute, 16 + minute, inside_port=int(ports[number]),
                down=0.0 if up else rate, up=rate if up else 0.0,
            )  # fmt: skip


@situation
def ten_hosts_share_a_lower_line(s: Stage) -> None:
    """What each gets changes by the minute, the sum does not."""
    s.site(plans=((50, 10), (100, 20), (100, 40)))
    scene = s.open(75, hosts=12, background=0.01)
    assert scene
    up = bool(s.rng.random() < 0.5)
    level = s.uniform(0.4, 0.62) * plan(s)[int(up)]
    _shaped(s, level, up, s.rng.dirichlet(np.full(10, 2.0), 40))
    s.look(10, 65)
    s.want("below-plan", severity="critical", link="fibre", direction="up" if up else "down")
    s.verdict("below-plan")


@situation
def who_comes_and_goes_changes_what_the_others_get(s: Stage) -> None:
    """Equal parts of a lower line for as many as are there."""
    s.site(plans=((50, 10), (100, 20), (100, 40)))
    s.open(75, hosts=12, background=0.01)
    there = np.zeros((40, 10))
    for number in range(10):
        begin = int(s.uniform(0, 28)) if number > 3 else 0
        there[begin : begin + int(s.uniform(10, 40)), number] = 1.0
    there[:, 0] = 1.0
    _shaped(s, s.uniform(0.4, 0.62) * plan(s)[0], False, there)
    s.look(10, 65)
    s.want("below-plan", severity="critical", link="fibre", direction="down")
    s.verdict("below-plan")


@situation
def five_hosts_and_one_slow_server(s: Stage) -> None:
    s.healthy = True
    s.site(plans=ROOMY)
    scene = s.open(75, background=0.02)
    server, level = int(scene.servers(1)[0]), s.uniform(0.3, 0.5) * plan(s)[0]
    shares = s.rng.dirichlet(np.full(5, 4.0), 40)
    ports = scene.ports(5)
    for minute in range(40):
        for number, host in enumerate(scene.hosts[:4]):
            flow(s, host, server, 15 + minute, 16 + minute, down=level * shares[minute, number],
                 inside_port=int(ports[number]))  # fmt: skip
    s.look(10, 65)
    s.forbid("below-plan", "link-busy")


@situation
def cameras_send_all_day(s: Stage) -> None:
    """Eight streams at constant rates: 40 % of the upload, always."""
    s.healthy = True
    s.site(plans=((100, 20), (100, 40), (300, 100)))
    scene = s.open(120, hosts=14, background=0.02)
    for host in scene.hosts[:8]:
        flow(s, host, int(scene.servers(1)[0]), 0, 120, up=plan(s)[1] * 0.05)
    s.look(20, 80)
    s.forbid("below-plan", "link-busy", "link-full")


@situation
def a_level_hour_of_unequal_flows(s: Stage) -> None:
    """A dozen flows at rates of their own, side by side, add up to two fifths of the plan."""
    s.healthy = True
    s.site(plans=ROOMY)
    scene = s.open(90, hosts=14, background=0.01)
    for number, share in enumerate(s.rng.dirichlet(np.full(12, 3.0))):
        flow(s, scene.hosts[number], int(scene.servers(1)[0]), 10 + s.uniform(0, 4), 70 + s.uniform(0, 6),
             down=plan(s)[0] * 0.4 * share)  # fmt: skip
    s.look(15, 65)
    s.forbid("below-plan", "link-busy", "link-full")


@situation
def demand_that_never_asks_for_more(s: Stage) -> None:
    """Every minute another sum between a fifth and a half of the plan."""
    s.healthy = True
    s.site(plans=ROOMY)
    scene = s.open(80, hosts=12, background=0.01)
    for minute in range(5, 70):
        level = s.uniform(0.2, 0.5) * plan(s)[0]
        for number, share in enumerate(s.rng.dirichlet(np.full(8, 2.0))):
            flow(s, scene.hosts[number], int(scene.servers(1)[0]), minute, minute + 1, down=level * share)
    s.look(10, 60)
    s.forbid("below-plan", "link-busy", "link-full")


@situation
def a_wide_area_tunnel_carries_everything(s: Stage) -> None:
    """All traffic of the site in one encrypted tunnel, at most half of the plan."""
    s.healthy = True
    s.site(plans=ROOMY)
    scene = s.open(90, background=0, hosts=4)
    server, port = int(scene.servers(1)[0]), int(scene.ports(1)[0])
    for minute in range(89):
        flow(s, scene.hosts[0], server, minute, minute + 1, down=s.uniform(0.1, 0.5) * plan(s)[0],
             up=s.uniform(0.05, 0.3) * plan(s)[1], port=4500, inside_port=port, protocol=17)  # fmt: skip
    s.look(10, 80)
    s.forbid("below-plan", "outage", "inbound-flood", "realtime-contention")


@situation
def a_cellular_main_link_as_usual(s: Stage) -> None:
    """A typical rate is not a promise: two thirds of it is an ordinary day."""
    s.healthy = True
    s.site((60, 10), variable=True)
    scene = s.open(80, hosts=12, background=0.01)
    scene.network.ceiling(0, 0, 60 * 0.66, s.start, s.end, wobble=0.1)
    for host in scene.hosts[:8]:
        do.download(scene, host, s.at(15), 60 * 0.62 / 8 * 60 * 30 / 8)
    s.look(10, 60)
    s.forbid("below-plan", "link-full")
