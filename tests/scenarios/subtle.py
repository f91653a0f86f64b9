"""Look-alikes and oddities: what an experienced person would see through at once, and routers as they are."""

from __future__ import annotations

import numpy as np
from msgspec.structs import replace

from flowdiag.scenario import activities as do
from flowdiag.scenario import trouble
from flowdiag.scenario.ledger import FIN_ALL, STEADY
from flowdiag.scenario.scene import DAY, HOUR
from flowdiag.scenario.site import SiteKeepalive, SiteLink
from tests.scenarios.stage import Stage, situation


@situation
def background_radiation_from_the_internet(s: Stage) -> None:
    """Thousands of strangers knock once each in an hour and a half. Every public address sees that."""
    s.healthy = True
    s.site()
    scene = s.open(90)
    count = 2500
    start = scene.times(s.start, s.end, count)
    scene.ledger.add(
        start=start, end=start + 1, inside=scene.hosts[0], outside=scene.crowd(count),
        inside_port=s.rng.choice([22, 23, 80, 443, 445, 3389], count), outside_port=scene.ports(count), protocol=6,
        kind=STEADY, down_octets=44, down_packets=1, down_flags=0x02,
    )  # fmt: skip
    s.forbid("inbound-flood", "outbound-scan", "unanswered-connections")


@situation
def a_web_server_with_many_visitors(s: Stage) -> None:
    s.healthy = True
    s.site(plans=((100, 40), (300, 100), (500, 500)))
    scene = s.open(90, background=0.02)
    count = 6000
    start = scene.times(s.start, s.end - 60_000, count)
    octets = s.rng.lognormal(0, 1, count)
    octets *= s.the_site.links[0].up_mbps * 0.3 * 125_000 * 5400 / octets.sum()
    scene.ledger.add(
        start=start, end=start + s.rng.uniform(2000, 40_000, count), inside=scene.hosts[0],
        outside=scene.pick(scene.crowd(3000), count), inside_port=443, outside_port=scene.ports(count), protocol=6,
        kind=STEADY, down_octets=octets / 25 + 500, down_packets=np.ceil(octets / 2800) + 5, up_octets=octets + 500,
        up_packets=np.ceil(octets / 1400) + 5, down_flags=FIN_ALL, up_flags=FIN_ALL,
    )  # fmt: skip
    s.forbid("inbound-flood", "outbound-scan", "unanswered-connections")


@situation
def a_telephone_exchange_at_work(s: Stage) -> None:
    """Forty calls at once are two thousand packets a second each way, all of them wanted."""
    s.healthy = True
    s.site(plans=((100, 20), (100, 40), (500, 500)))
    scene = s.open(70)
    for _ in range(40):
        begin = s.uniform(2, 40)
        do.call(scene, scene.hosts[0], s.at(begin), s.at(begin + s.uniform(5, 25)), dscp=s.choose((0, 46)))
    s.look(10, 60)
    s.forbid("inbound-flood", "realtime-contention")


@situation
def a_monitor_that_pings_many(s: Stage) -> None:
    s.healthy = True
    s.site()
    scene = s.open(60)
    targets = scene.crowd(300)
    for minute in range(60):
        start = s.at(minute) + s.rng.uniform(0, 20_000, len(targets))
        for direction, port in (("up", "outside_port"), ("down", "inside_port")):
            scene.ledger.add(
                start=start, end=start + 3, inside=scene.hosts[1], outside=targets, protocol=1, kind=STEADY,
                **{f"{direction}_octets": 84, f"{direction}_packets": 1, port: 2048 if direction == "up" else 0},
            )  # fmt: skip
    s.forbid("outbound-scan", "inbound-flood", "unanswered-connections")


@situation
def logs_sent_one_way(s: Stage) -> None:
    """Syslog and telemetry over UDP never get an answer; nothing is failing."""
    s.healthy = True
    s.site()
    scene = s.open(90)
    for host in scene.hosts[:4]:
        begin = s.start + s.uniform(0, 5000)
        scene.ledger.add(
            start=begin, end=s.end, inside=host, outside=scene.outside("203.0.113.14"), inside_port=514,
            outside_port=514, protocol=17, kind=STEADY, up_octets=5400 * 300, up_packets=5400,
        )  # fmt: skip
    s.look(10, 80)
    s.forbid("unanswered-connections", "outbound-scan")


@situation
def strangers_knock_on_the_backup_too(s: Stage) -> None:
    s.healthy = True
    s.site(backup=True)
    scene = s.open(120)
    count = 90
    start = scene.times(s.start, s.end, count)
    scene.ledger.add(
        start=start, end=start + 1, inside=scene.outside("198.51.100.254"), outside=scene.crowd(count),
        inside_port=23, outside_port=scene.ports(count), protocol=6, kind=STEADY, down_octets=44, down_packets=1,
        down_flags=0x02, link=1,
    )  # fmt: skip
    s.look(10, 110)
    s.forbid("on-backup", "inbound-flood", "keepalive-excess")


@situation
def the_second_of_two_main_links_is_full(s: Stage) -> None:
    s.site((100, 20))
    first = s.the_site.links[0]
    s.the_site = replace(s.the_site, links=(first, SiteLink("cable", 50, 10, (250,), framing="ethernet")))
    scene = s.open(90)
    do.web(scene, s.start, s.end, 2.5, link=1)
    do.upload(scene, scene.hosts[0], s.at(25), 10 * 0.93 / 8 * 60 * 25, link=1)
    s.look(15, 70)
    s.forbid("on-backup", "backup-leak", "flapping", "outage")
    s.verdict("link-full")


@situation
def on_the_backup_while_probes_try_the_main_link(s: Stage) -> None:
    """The router pings through the dead line all along: outgoing probes are not usual traffic."""
    s.site(backup=True)
    scene = s.open(120, background=0.03)
    begin, end = s.at(30), s.at(85)
    scene.network.fail(0, begin, end, backup=1, gap_ms=4000)
    scene.network.capacity[0, 1, :] = np.maximum(scene.network.capacity[0, 1, :], 1.0)  # probes leave
    do.keepalive(scene, 0, SiteKeepalive("203.0.113.201", interval_s=5), begin, end, answered=False)
    s.look(20, 110)
    s.want("on-backup", severity="critical", start=begin, end=end)
    s.forbid("flapping", "outage", "backup-leak")
    s.verdict("on-backup")


@situation
def just_after_the_failback(s: Stage) -> None:
    """The complaint came when all was well again; one long call still ran on the backup."""
    s.site(backup=True)
    scene = s.open(150, background=0.04)
    scene.network.keeps_on_failback = True
    begin, end = s.at(20), s.at(50)
    scene.network.fail(0, begin, end, backup=1, gap_ms=2000)
    do.video_call(scene, scene.hosts[0], s.at(40), s.at(58), mbps=0.5)
    s.look(70, 130)
    s.want("on-backup", severity="info", start=begin)
    s.forbid("backup-leak", "flapping", "outage")


@situation
def keepalives_pause_for_ten_minutes(s: Stage) -> None:
    spec = SiteKeepalive("198.51.100.1", interval_s=s.choose((5, 10)))
    s.site((100, 20), backup=True, keepalives=(spec,))
    s.custom_keepalives()
    scene = s.open(120)
    pause, resume = s.at(50), s.at(60)
    do.keepalive(scene, 1, spec, s.start, pause)
    do.keepalive(scene, 1, spec, resume, s.end)
    s.look(20, 110)
    s.want("keepalive-missing", severity="warning", link="lte", start=pause, end=resume)
    s.forbid("keepalive-unanswered", "keepalive-excess", "on-backup", "backup-leak", "outage")


@situation
def one_of_two_keepalives_is_missing(s: Stage) -> None:
    specs = (SiteKeepalive("198.51.100.1", interval_s=10), SiteKeepalive("203.0.113.77", "udp", 3544, 20, 60))
    s.site((100, 20), backup=True, keepalives=specs)
    s.custom_keepalives()
    scene = s.open(100)
    do.keepalive(scene, 1, specs[0], s.start, s.end)
    s.look(10, 90)
    s.want("keepalive-missing", severity="warning", link="lte")
    s.forbid("keepalive-excess", "keepalive-unanswered", "backup-leak", "on-backup")


@situation
def keepalives_over_ipv6(s: Stage) -> None:
    s.healthy = True
    s.router(protocol=s.choose(("ipfix", "netflow9")))
    spec = SiteKeepalive("2001:db8:ffff::1", "icmp", 0, 10, 104)
    s.site((100, 20), backup=True, keepalives=(spec,), v6=True)
    s.custom_keepalives()
    scene = s.open(100)
    do.keepalive(scene, 1, spec, s.start, s.end, source="2001:db8:40::1")
    s.look(10, 90)
    s.forbid(
        "keepalive-missing", "keepalive-unanswered", "keepalive-irregular", "keepalive-excess", "backup-leak"
    )


@situation
def three_times_the_usual_yet_room(s: Stage) -> None:
    s.healthy = True
    s.router(active_s=300)
    s.site((100, 40))
    scene = s.open(9 * 24 * 60, at=(0, 0), hosts=6, background=0, step_ms=20_000)
    for hour in range(9 * 24):
        at_work = 8 <= hour % 24 < 18
        start = s.start + hour * HOUR
        much = 12.0 if hour // 24 == 8 and hour % 24 in (14, 15) else 4.0 if at_work else 0.1
        do.web(scene, start, start + HOUR, much, per_host_hour=25 if at_work else 4)
    s.window = (s.start + 8 * DAY + 14 * HOUR, s.start + 8 * DAY + 15 * HOUR)
    s.forbid("link-full", "link-busy", "below-plan", "outage")


@situation
def the_router_restarted_in_between(s: Stage) -> None:
    s.router(protocol=s.choose(("netflow9", "ipfix", "netflow5")), active_s=60)
    s.site(v6=False)
    s.open(90, background=0.05)
    s.ways.append("restart")
    s.look(10, 80)
    s.automatic = False
    s.forbid("outage", "on-backup", "below-plan", "link-full", "link-busy")
    s.allow("export-gap")


@situation
def templates_come_minutes_late(s: Stage) -> None:
    s.router(protocol=s.choose(("netflow9", "ipfix")), template_interval_s=60, sampling=1)
    s.healthy = True
    s.site()
    s.open(60)
    s.ways.append("late-templates")
    s.look(5, 50)
    s.forbid("outage", "export-gap")


@situation
def every_datagram_was_captured_twice(s: Stage) -> None:
    s.site()
    s.container = "pcap"
    scene = s.open(70)
    link = s.the_site.links[0]
    do.upload(
        scene, scene.hosts[0], s.at(10), link.up_mbps * 0.45 / 8 * 60 * 35, cap_mbps=link.up_mbps * 0.45
    )
    s.ways.append("twice")
    s.forbid("link-full", "link-busy", "export-gap")


@situation
def datagrams_out_of_order(s: Stage) -> None:
    s.container = "pcap"
    s.site()
    scene = s.open(70)
    do.download(scene, scene.hosts[0], s.at(15), s.down_megabytes(20))
    s.ways.append("disorder")
    s.look(10, 50)
    s.forbid("export-gap")
    s.verdict("link-full")


@situation
def two_domains_see_the_same_packets(s: Stage) -> None:
    s.router(protocol=s.choose(("netflow9", "ipfix")), both_points=False)
    s.container = "pcap"
    s.site()
    scene = s.open(70)
    link = s.the_site.links[0]
    do.upload(
        scene, scene.hosts[0], s.at(10), link.up_mbps * 0.45 / 8 * 60 * 35, cap_mbps=link.up_mbps * 0.45
    )
    s.ways.append("second-domain")
    s.forbid("link-full", "link-busy")


@situation
def metered_twice_without_saying_so(s: Stage) -> None:
    """Every packet at ingress and at egress, and no element 61 to tell them apart."""
    s.router(protocol=s.choose(("netflow9", "ipfix")), both_points=True, direction_field=False)
    s.site()
    scene = s.open(70)
    link = s.the_site.links[0]
    do.upload(
        scene, scene.hosts[0], s.at(10), link.up_mbps * 0.45 / 8 * 60 * 35, cap_mbps=link.up_mbps * 0.45
    )
    s.forbid("link-full", "link-busy")


@situation
def a_crawling_line_of_one_megabit(s: Stage) -> None:
    s.site((1, 0.25), framing="pppoe")
    scene = s.open(90, hosts=2, background=0.03)
    do.download(scene, scene.hosts[0], s.at(20), s.down_megabytes(30))
    s.look(15, 70)
    s.verdict("link-full")


@situation
def five_quiet_minutes(s: Stage) -> None:
    """A very short window in a healthy hour."""
    s.healthy = True
    s.site(backup=bool(s.rng.random() < 0.5))
    s.open(60)
    s.look(30, 35)


@situation
def full_without_a_window(s: Stage) -> None:
    """Nobody said when; the whole export is the window."""
    s.site()
    scene = s.open(300, hosts=8)
    do.upload(scene, scene.hosts[0], s.at(s.uniform(60, 200)), s.up_megabytes(s.uniform(6, 15)))
    s.verdict("link-full")


@situation
def a_flood_at_an_address_of_the_router(s: Stage) -> None:
    """The target is the site's public address, listed in the profile as inside."""
    s.site((500, 500))
    s.the_site = replace(s.the_site, lan=(*s.the_site.lan, "203.0.113.240/32"))
    scene = s.open(60)
    target = scene.outside("203.0.113.240")
    trouble.flood(scene, target, s.at(15), s.at(45), sources=2500, packets_per_s=50_000)
    s.look(10, 50)
    s.want("inbound-flood", severity="critical", hosts={s.address(target): 1.0})
    s.verdict("inbound-flood")


@situation
def many_streams_come_and_go(s: Stage) -> None:
    """Level around a half because there are about as many viewers at all times, each at a rate of its own."""
    s.healthy = True
    s.site((100, 20), framing="ethernet")
    scene = s.open(120, hosts=30, background=0.02)
    minute = 3.0
    running: list[tuple[float, float]] = []  # until when, at what rate
    while minute < 105:
        mbps, until = s.choose((2.5, 4, 5, 8)), minute + s.uniform(6, 14)
        running = [stream for stream in running if stream[0] > minute]
        if sum(rate for _, rate in running) + mbps <= 55:  # who comes later finds the evening's quota used up
            do.streaming(scene, s.choose(scene.hosts), s.at(minute), s.at(until), mbps)
            running.append((until, mbps))
        minute += s.uniform(0.7, 1.5)
    s.forbid("below-plan", "link-full", "link-busy")
