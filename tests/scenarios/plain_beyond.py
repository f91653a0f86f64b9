"""Trouble beyond the line, with the simplest traffic (see plain_traffic.py)."""

from __future__ import annotations

import numpy as np
from msgspec.structs import replace

from flowdiag.scenario import activities as do
from flowdiag.scenario import trouble
from flowdiag.scenario.ledger import FIN_ALL, STEADY
from tests.scenarios.plain_traffic import ROOMY, plan
from tests.scenarios.stage import Stage, situation


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
def one_till_among_many_devices_is_cut_off_from_its_payments(s: Stage) -> None:
    """Sixty attempts are next to nothing beside those of an office, and all that one person needs."""
    s.router(sampling=1)
    s.site(plans=ROOMY)
    scene = s.open(90, hosts=20)
    till = scene.hosts[3]
    s.the_site = replace(s.the_site, labels=((f"{s.address(till)}/32", "till"),))
    s.scene.site = s.the_site
    trouble.unanswered(
        scene, [till], s.at(20), s.at(70), 60, server="203.0.113.88", port=s.choose((443, 8443, 9100))
    )
    s.look(15, 75)
    s.allow("unanswered-connections")
    s.verdict("not-the-link", "unanswered-connections")
    s.never_high = True
    s.says("till")
    s.hushes("wi-fi")


@situation
def a_phone_cannot_register(s: Stage) -> None:
    """A request each minute or two, from one port to one place, and no answer."""
    s.router(sampling=1, idle_s=15)
    s.site(plans=ROOMY)
    scene = s.open(90, hosts=20)
    times = np.arange(s.at(18), s.at(78), 90_000)
    scene.ledger.add(
        start=times, end=times + 4_000, inside=scene.hosts[2], outside=scene.outside("203.0.113.60"), inside_port=5060,
        outside_port=5060, protocol=17, kind=STEADY, up_octets=4 * 620, up_packets=4,
    )  # fmt: skip
    s.look(10, 80)
    s.allow("unanswered-connections")
    s.verdict("not-the-link", "unanswered-connections")
    s.never_high = True
    s.hushes("wi-fi")


@situation
def a_program_calls_a_dead_place_all_along(s: Stage) -> None:
    """Near miss: one in many of a computer's attempts, before and after the complaint as well."""
    s.healthy = True
    s.router(sampling=1, active_s=60)
    s.site(plans=ROOMY)
    scene = s.open(120, hosts=12)
    trouble.unanswered(scene, scene.hosts[:1], s.start, s.end, 30, server="203.0.113.200", port=443)
    do.web(scene, s.start, s.end, 0.3, hosts=scene.hosts[:1], per_host_hour=200)
    s.look(30, 90)
    s.forbid("unanswered-connections")


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
