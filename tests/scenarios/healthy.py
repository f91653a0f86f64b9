"""Nothing is wrong with the link."""

from __future__ import annotations

from flowdiag.scenario import activities as do
from flowdiag.scenario import trouble
from flowdiag.scenario.scene import HOUR
from tests.scenarios.stage import Stage, situation


@situation
def an_ordinary_hour(s: Stage) -> None:
    s.healthy = True
    s.site(backup=bool(s.rng.random() < 0.5))
    s.open(75)
    s.look(10, 65)


@situation
def an_ordinary_working_day(s: Stage) -> None:
    s.healthy = True
    s.site(hours="Mon-Fri 08:00-18:00", backup=True)
    scene = s.open(24 * 60, at=(0, 0), hosts=10, background=0, step_ms=5000)
    for hour in range(24):
        share = 0.06 if 8 <= hour < 18 else 0.001
        start = s.start + hour * HOUR
        do.web(
            scene,
            start,
            start + HOUR,
            share * s.the_site.links[0].down_mbps,
            per_host_hour=60 if share > 0.01 else 5,
        )
    do.upload(scene, scene.hosts[0], s.start + 2 * HOUR, s.the_site.links[0].up_mbps * 0.4 / 8 * 1800,
              cap_mbps=s.the_site.links[0].up_mbps * 0.4)  # fmt: skip
    s.reported = None


@situation
def a_quiet_night(s: Stage) -> None:
    """The site sleeps; the router still sends its templates."""
    s.healthy = True
    s.router(template_interval_s=60)
    s.site(hours="Mon-Fri 08:00-18:00", backup=True)
    scene = s.open(240, at=(0, 30), background=0)
    do.dns(scene, s.start, s.end, per_host_hour=2)
    s.forbid("outage", "on-backup", "export-gap")


@situation
def calls_with_room(s: Stage) -> None:
    s.healthy = True
    s.site(plans=((100, 20), (100, 40), (500, 500)))
    scene = s.open(75)
    for host in scene.hosts[:4]:
        do.video_call(scene, host, s.at(s.uniform(5, 20)), s.at(s.uniform(40, 65)), mbps=1.2)
    s.look(10, 60)
    s.forbid("realtime-contention")


@situation
def peaks_at_60_percent(s: Stage) -> None:
    s.healthy = True
    s.site(framing="ethernet")
    scene = s.open(80, background=0.02)
    plan = s.the_site.links[0].down_mbps
    for host in scene.hosts[:4]:
        begin = s.uniform(10, 30)
        do.streaming(scene, host, s.at(begin), s.at(begin + s.uniform(20, 40)), plan * 0.14)
    s.forbid("link-full", "link-busy", "below-plan")


@situation
def one_host_alone_at_the_office(s: Stage) -> None:
    s.healthy = True
    s.site()
    scene = s.open(60, background=0)
    plan = s.the_site.links[0].down_mbps
    do.web(scene, s.start, s.end, plan * 0.02, hosts=scene.hosts[:1], per_host_hour=400)
    do.streaming(scene, scene.hosts[0], s.at(10), s.at(50), plan * 0.1)
    do.dns(scene, s.start, s.end)


@situation
def a_slow_single_server(s: Stage) -> None:
    """One transfer at a level far under the plan: the far end is slow, the line is not."""
    s.healthy = True
    s.site(framing="ethernet")
    scene = s.open(80)
    link = s.the_site.links[0]
    level = s.uniform(0.3, 0.5)
    do.download(
        scene, scene.hosts[0], s.at(15), link.down_mbps * level / 8 * 60 * 40, cap_mbps=link.down_mbps * level
    )
    s.look(10, 70)
    s.forbid("below-plan", "link-busy", "link-full")


@situation
def streams_that_add_up_to_a_level(s: Stage) -> None:
    """Ten streams, each at its own steady rate: the sum is level, yet nobody waits."""
    s.healthy = True
    s.site((100, 20), framing="ethernet")
    scene = s.open(90, hosts=24, background=0.02)
    for host in scene.hosts[:10]:
        begin = s.uniform(5, 30)
        do.streaming(scene, host, s.at(begin), s.at(begin + s.uniform(25, 50)), 4.5)
    s.forbid("below-plan", "link-busy", "link-full")


@situation
def a_few_unanswered_attempts(s: Stage) -> None:
    """There are always some: a dead advert server, a printer that phones home."""
    s.healthy = True
    s.site()
    scene = s.open(90, hosts=20)
    trouble.unanswered(scene, scene.hosts[:1], s.start, s.end, 12, server="203.0.113.200", port=8883)
    s.look(15, 75)
    s.forbid("unanswered-connections")


@situation
def a_busy_resolver(s: Stage) -> None:
    s.healthy = True
    s.site()
    scene = s.open(90)
    trouble.resolver(scene, scene.hosts[0], s.start, s.end, 1500, 9000)
    s.forbid("outbound-scan", "unanswered-connections", "inbound-flood")


@situation
def a_mail_server_delivers(s: Stage) -> None:
    s.healthy = True
    s.site(plans=((100, 20), (100, 40), (250, 25), (500, 500)))
    scene = s.open(90)
    trouble.mail_out(scene, scene.hosts[0], s.start, s.end, 900)
    s.forbid("outbound-scan", "unanswered-connections")


@situation
def an_update_from_many_caches(s: Stage) -> None:
    s.healthy = True
    s.site()
    scene = s.open(60)
    link = s.the_site.links[0]
    rate = link.down_mbps * 0.45
    trouble.content_network(scene, scene.hosts[0], s.at(10), 400, rate / 8 * 60 * 20, rate)
    s.forbid("inbound-flood", "outbound-scan", "below-plan")


@situation
def peer_to_peer_with_many_peers(s: Stage) -> None:
    s.healthy = True
    s.site(plans=((100, 20), (100, 40), (300, 100), (500, 500)))
    scene = s.open(80)
    trouble.peer_to_peer(scene, scene.hosts[0], s.at(5), s.at(75), 1200, s.the_site.links[0].down_mbps * 0.25)
    s.forbid("inbound-flood", "outbound-scan")


@situation
def a_site_with_hardly_any_traffic(s: Stage) -> None:
    s.healthy = True
    s.site()
    s.open(120, hosts=2, background=0.0005)
    s.forbid("outage", "below-plan")
