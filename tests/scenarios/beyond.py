"""Trouble beyond the link: services that do not answer, floods, scans; and calls on a full link."""

from __future__ import annotations

from flowdiag.scenario import activities as do
from flowdiag.scenario import trouble
from tests.scenarios.stage import Stage, situation

EF = 46  # RFC 4594: telephony


@situation
def a_service_does_not_answer(s: Stage) -> None:
    s.router(sampling=1)
    s.site()
    scene = s.open(90, hosts=18)
    trouble.unanswered(
        scene, scene.hosts, s.at(20), s.at(70), 900, server="203.0.113.25", port=s.choose((443, 993, 5060))
    )
    s.look(15, 75)
    s.want("unanswered-connections", severity="warning")
    s.verdict("unanswered-connections")


@situation
def names_do_not_resolve(s: Stage) -> None:
    s.site()
    scene = s.open(90, background=0, hosts=18)
    do.web(scene, s.start, s.at(20), 0.04 * s.the_site.links[0].down_mbps)
    do.dns(scene, s.start, s.at(20))
    do.dns(scene, s.at(20), s.at(70), per_host_hour=300, answered=0.0)
    do.web(scene, s.at(70), s.end, 0.04 * s.the_site.links[0].down_mbps)
    do.vpn(scene, scene.hosts[0], s.start, s.end)
    do.remote_desktop(scene, scene.hosts[1], s.start, s.end)
    s.look(15, 75)
    s.want("unanswered-connections", severity="warning")
    s.verdict("unanswered-connections")


@situation
def a_flood_from_many_sources(s: Stage) -> None:
    """Not enough to fill the link, far more packets than any use explains."""
    s.site((500, 500))
    scene = s.open(70)
    target = scene.hosts[0]
    trouble.flood(scene, target, s.at(20), s.at(50), sources=3000, packets_per_s=60_000)
    s.look(10, 60)
    s.want("inbound-flood", severity="critical", hosts={s.address(target): 1.0})
    s.verdict("inbound-flood")


@situation
def a_flood_that_fills_the_link(s: Stage) -> None:
    s.site(plans=((50, 10), (100, 20), (100, 40)))
    scene = s.open(70)
    target = scene.hosts[1]
    plan = s.the_site.links[0].down_mbps
    trouble.flood(scene, target, s.at(20), s.at(50), sources=4000, packets_per_s=plan * 1.4e6 / 8 / 500,
                  packet_octets=500, tcp=False, port=53)  # fmt: skip
    s.look(10, 60)
    s.want("inbound-flood", severity="critical", hosts={s.address(target): 1.0})
    s.allow("link-full", "link-busy", "below-plan")
    s.verdict("inbound-flood")


@situation
def a_scan_from_inside(s: Stage) -> None:
    s.site(plans=((100, 20), (100, 40), (250, 25), (500, 500)))
    scene = s.open(80)
    host = scene.hosts[2]
    trouble.scan(scene, host, s.at(15), s.at(65), 9000, port=s.choose((445, 23, 3389)))
    s.look(10, 70)
    s.want("outbound-scan", severity="critical", hosts={s.address(host): 1.0})
    s.allow("unanswered-connections")
    s.verdict("outbound-scan", "unanswered-connections")


@situation
def a_scan_that_fills_the_upload(s: Stage) -> None:
    s.site((5, 0.5), framing="ethernet")
    scene = s.open(50, hosts=8)
    host = scene.hosts[0]
    rate = 0.5e6 * 1.02 / 8 / (400 + 18)  # probes of 400 octets in Ethernet frames
    trouble.scan(scene, host, s.at(15), s.at(25), int(rate * 10 * 60), answered=0, packet_octets=400)
    s.look(10, 40)
    s.want("outbound-scan", severity="critical", hosts={s.address(host): 1.0})
    s.allow("unanswered-connections", "link-full")
    s.cause_on_link = True
    s.verdict("outbound-scan")


@situation
def calls_on_a_full_upload(s: Stage) -> None:
    s.site(plans=((50, 10), (100, 20), (100, 40)))
    scene = s.open(90)
    do.upload(scene, scene.hosts[0], s.at(25), s.up_megabytes(25))
    for host in scene.hosts[1:4]:
        do.call(scene, host, s.at(s.uniform(15, 30)), s.at(s.uniform(40, 60)))
    do.video_call(scene, scene.hosts[2], s.at(20), s.at(60), mbps=1.0)
    s.look(15, 70)
    s.want("realtime-contention", severity="warning", link="fibre", direction="up")
    s.verdict("link-full")


@situation
def marked_calls_on_a_full_upload(s: Stage) -> None:
    s.site(plans=((50, 10), (100, 20), (100, 40)))
    scene = s.open(90)
    do.upload(scene, scene.hosts[0], s.at(25), s.up_megabytes(25))
    for host in scene.hosts[1:4]:
        do.call(scene, host, s.at(s.uniform(15, 30)), s.at(s.uniform(40, 60)), dscp=EF)
    s.look(15, 70)
    s.forbid("realtime-contention")
    s.verdict("link-full")


@situation
def calls_before_the_upload_was_full(s: Stage) -> None:
    s.router(active_s=60)
    s.site(plans=((50, 10), (100, 20), (100, 40)))
    scene = s.open(120)
    do.call(scene, scene.hosts[1], s.at(10), s.at(35))
    do.upload(scene, scene.hosts[0], s.at(60), s.up_megabytes(25))
    s.look(50, 110)
    s.forbid("realtime-contention")
    s.verdict("link-full")


@situation
def a_busy_link_and_a_dead_service(s: Stage) -> None:
    s.site((100, 40), framing="ethernet")
    scene = s.open(90, hosts=18, background=0.02)
    do.download(scene, scene.hosts[0], s.at(15), 80 / 8 * 60 * 45, cap_mbps=80)
    trouble.unanswered(scene, scene.hosts, s.at(20), s.at(70), 900)
    s.look(10, 75)
    s.want("unanswered-connections", severity="warning")
    s.forbid("below-plan")
    s.verdict("link-busy")


@situation
def a_scan_while_on_the_backup(s: Stage) -> None:
    s.site((100, 20), backup=True)
    scene = s.open(100, background=0.03)
    trouble.scan(scene, scene.hosts[0], s.at(20), s.at(70), 8000)
    begin, end = s.at(30), s.at(80)
    scene.network.fail(0, begin, end, backup=1, gap_ms=2000)
    s.look(15, 90)
    s.want("on-backup", severity="critical", start=begin, end=end)
    s.want("outbound-scan", severity="critical")
    s.allow("unanswered-connections")
    s.verdict("on-backup")
