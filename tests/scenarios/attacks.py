"""Attacks told by packets, half-open connections and sources, attempts by what they are, and their look-alikes.

The traffic of each is laid down here by number, so that its label follows from what was put in.
"""

from __future__ import annotations

import numpy as np

from flowdiag.scenario import assaults, trouble
from flowdiag.scenario.ledger import FIN_ALL, STEADY
from tests.scenarios.plain_traffic import ROOMY
from tests.scenarios.stage import Stage, situation

ATTACKS = ("inbound-flood", "outbound-scan", "unanswered-connections")
SYN_OCTETS = 60
WIRE_OCTETS = 84  # a SYN of 60 octets with preamble, gap and Ethernet's framing, about


@situation
def a_scan_whose_syns_are_sent_again(s: Stage) -> None:
    """Seven SYNs over a minute for each address: by the idle timeout three records, one attempt."""
    s.site(plans=ROOMY)
    scene = s.open(80)
    host = scene.hosts[1]
    assaults.scan_with_retries(scene, host, s.at(15), s.at(50), 1500, port=s.choose((22, 445, 3389)))
    s.look(10, 65)
    s.want("outbound-scan", severity="critical", hosts={s.address(host): 1.0})
    s.allow("unanswered-connections")
    s.verdict("outbound-scan", "unanswered-connections")


@situation
def a_scan_with_ten_syns_in_each_record(s: Stage) -> None:
    s.site(plans=ROOMY)
    scene = s.open(70)
    host, count = scene.hosts[1], 900
    start = scene.times(s.at(15), s.at(40), count)
    scene.ledger.add(
        start=start, end=start + 9000, inside=host, outside=scene.crowd(count), inside_port=scene.ports(count),
        outside_port=8291, protocol=6, kind=STEADY, up_octets=10 * SYN_OCTETS, up_packets=10, up_flags=0x02,
    )  # fmt: skip
    s.look(10, 60)
    s.want("outbound-scan", severity="critical", hosts={s.address(host): 1.0})
    s.verdict("outbound-scan")


@situation
def a_probe_by_udp_of_four_packets(s: Stage) -> None:
    s.site(plans=ROOMY)
    scene = s.open(70)
    host, count = scene.hosts[2], 2000
    start = scene.times(s.at(20), s.at(45), count)
    scene.ledger.add(
        start=start, end=start + 6000, inside=host, outside=scene.crowd(count), inside_port=scene.ports(count),
        outside_port=s.choose((69, 623, 1900)), protocol=17, kind=STEADY, up_octets=280, up_packets=4,
    )  # fmt: skip
    s.look(10, 60)
    s.want("outbound-scan", severity="critical", hosts={s.address(host): 1.0})
    s.verdict("outbound-scan")


@situation
def a_sweep_by_ping(s: Stage) -> None:
    """Four pings to each of 1,200 addresses, of which one in twenty is there."""
    s.site(plans=ROOMY)
    scene = s.open(70)
    host = scene.hosts[0]
    assaults.pings(scene, host, scene.crowd(1200), s.at(20), s.at(40), packets=4, answered=0.05)
    s.look(10, 60)
    s.want("outbound-scan", severity="critical", hosts={s.address(host): 1.0})
    s.verdict("outbound-scan")


@situation
def half_open_connections_at_six_percent_of_the_line(s: Stage) -> None:
    """Three thousand sources with one to three SYNs a second each: the line has room, the server has not."""
    s.site(plans=((50, 10), (100, 20), (100, 40)))
    scene = s.open(90, background=0.03)
    packets_s = 0.06 * s.the_site.links[0].down_mbps * 125_000 / WIRE_OCTETS
    trouble.flood(scene, scene.hosts[0], s.at(25), s.at(55), sources=3000, packets_per_s=packets_s)
    s.look(15, 75)
    s.want("inbound-flood", severity="critical", hosts={s.address(scene.hosts[0]): 1.0})
    s.verdict("inbound-flood")


@situation
def one_syn_from_each_of_thousands_of_made_up_sources(s: Stage) -> None:
    """At six percent of a small line."""
    s.router(sampling=1)
    s.site(plans=((6, 1), (8, 1)))
    scene = s.open(50, background=0.03)
    packets_s = 0.06 * s.the_site.links[0].down_mbps * 125_000 / WIRE_OCTETS
    assaults.half_open(scene, scene.hosts[0], s.at(20), s.at(26), packets_s=packets_s)
    s.look(10, 40)
    s.want(
        "inbound-flood",
        severity="critical",
        hosts={s.address(scene.hosts[0]): 1.0},
        start=s.at(20),
        end=s.at(26),
    )
    s.verdict("inbound-flood")


@situation
def a_slow_flood_of_half_open_connections(s: Stage) -> None:
    """A hundred and twenty a second, of which one in two is sent again."""
    s.router(sampling=1)
    s.site(plans=((100, 40), (250, 25), (500, 500)))
    scene = s.open(80)
    assaults.half_open(scene, scene.hosts[0], s.at(25), s.at(45), packets_s=180)
    s.look(15, 65)
    s.want(
        "inbound-flood",
        severity="critical",
        hosts={s.address(scene.hosts[0]): 1.0},
        start=s.at(25),
        end=s.at(45),
    )
    s.verdict("inbound-flood")


@situation
def a_flood_of_two_minutes(s: Stage) -> None:
    s.router(sampling=1)
    s.site(plans=((100, 40), (250, 25), (500, 500)))
    scene = s.open(60)
    begin = s.at(s.uniform(20, 30))
    assaults.half_open(scene, scene.hosts[1], begin, begin + 120_000, packets_s=s.choose((300, 900)))
    s.look(15, 45)
    s.want("inbound-flood", severity="critical", hosts={s.address(scene.hosts[1]): 1.0}, start=begin)
    s.verdict("inbound-flood")


@situation
def answers_that_nobody_asked_for_at_two_hundred_a_second(s: Stage) -> None:
    """From hundreds of time and name servers, small beside the line."""
    s.router(sampling=1)
    s.site(plans=((250, 25), (300, 100), (500, 500)))
    scene = s.open(70)
    count, target = 600, scene.hosts[0]
    begin, end = s.at(20), s.at(40)
    packets = 200 * 20 * 60 / count
    scene.ledger.add(
        start=begin, end=end, inside=target, outside=scene.crowd(count), inside_port=s.choose((80, 443)),
        outside_port=s.choose((53, 123, 11211)), protocol=17, kind=STEADY, down_octets=packets * 1200,
        down_packets=packets,
    )  # fmt: skip
    s.look(10, 55)
    s.want("inbound-flood", severity="critical", hosts={s.address(target): 1.0})
    s.verdict("inbound-flood")


@situation
def calls_do_not_register(s: Stage) -> None:
    """The provider of telephony does not answer: each telephone asks again, with ten messages each time."""
    s.router(sampling=1)
    s.site(plans=ROOMY)
    scene = s.open(90, hosts=12)
    count = 500
    start = scene.times(s.at(20), s.at(70), count)
    scene.ledger.add(
        start=start, end=start + 14_000, inside=scene.pick(scene.hosts, count), outside=scene.outside("203.0.113.70"),
        inside_port=scene.ports(count), outside_port=5060, protocol=17, kind=STEADY, up_octets=10 * 500, up_packets=10,
    )  # fmt: skip
    s.look(15, 75)
    s.want("unanswered-connections", severity="warning")
    s.verdict("unanswered-connections")


# Look-alikes


@situation
def a_busy_public_server(s: Stage) -> None:
    """Sixty thousand connections of eight thousand visitors in an hour and a half, with the usual noise."""
    s.healthy = True
    s.site(plans=((300, 100), (500, 500), (1000, 500)))
    scene = s.open(90, background=0.02)
    visitors, count = scene.crowd(8000), 60_000
    start = scene.times(s.start, s.end - 60_000, count)
    scene.ledger.add(
        start=start, end=start + s.rng.uniform(200, 9000, count), inside=scene.hosts[0],
        outside=scene.pick(visitors, count), inside_port=443, outside_port=scene.ports(count), protocol=6, kind=STEADY,
        down_octets=1500, down_packets=9, up_octets=9000, up_packets=10, down_flags=FIN_ALL, up_flags=FIN_ALL,
    )  # fmt: skip
    assaults.noise(scene, scene.hosts[0], s.start, s.end, a_second=1.0)
    s.forbid(*ATTACKS)


@situation
def a_forwarded_port_in_the_noise_of_the_internet(s: Stage) -> None:
    """Three knocks a second, of which the server behind the port answers those on its own."""
    s.healthy = True
    s.site()
    scene = s.open(90)
    assaults.noise(scene, scene.hosts[0], s.start, s.end, a_second=3.0)
    count = 400
    start = scene.times(s.start, s.end - 10_000, count)
    scene.ledger.add(
        start=start, end=start + 1500, inside=scene.hosts[0], outside=scene.crowd(count), inside_port=3389,
        outside_port=scene.ports(count), protocol=6, kind=STEADY, down_octets=900, down_packets=8, up_octets=1500,
        up_packets=8, down_flags=FIN_ALL, up_flags=FIN_ALL,
    )  # fmt: skip
    s.forbid(*ATTACKS)


@situation
def a_peer_to_peer_client_with_many_dead_peers(s: Stage) -> None:
    """Half of the peers it calls are gone, and peers that it left knock for a while."""
    s.healthy = True
    s.site(plans=((100, 20), (100, 40), (300, 100), (500, 500)))
    scene = s.open(80)
    host = scene.hosts[0]
    assaults.peers(scene, host, s.at(5), s.at(70), 2500)
    assaults.noise(scene, host, s.at(5), s.end, a_second=4.0, ports=(51413,))
    s.forbid(*ATTACKS)


@situation
def a_monitor_that_pings_hundreds_some_of_them_dead(s: Stage) -> None:
    s.healthy = True
    s.site()
    scene = s.open(60)
    places = scene.crowd(400)
    for minute in range(59):
        assaults.pings(
            scene, scene.hosts[1], places[:360], s.at(minute), s.at(minute + 0.5), packets=3, answered=1.0
        )
        assaults.pings(
            scene, scene.hosts[1], places[360:], s.at(minute), s.at(minute + 0.5), packets=3, answered=0.0
        )
    s.forbid(*ATTACKS)


@situation
def a_resolver_of_its_own_asks_the_whole_world(s: Stage) -> None:
    s.healthy = True
    s.site()
    scene = s.open(70)
    host, count = scene.hosts[0], 30_000
    start = scene.times(s.start, s.end - 5000, count)
    got = scene.rng.random(count) < 0.97
    scene.ledger.add(
        start=start, end=start + np.where(got, 60, 3000), inside=host, outside=scene.pick(scene.crowd(4000), count),
        inside_port=scene.ports(count), outside_port=53, protocol=17, kind=STEADY, up_octets=np.where(got, 75, 225),
        up_packets=np.where(got, 1, 3), down_octets=got * 300, down_packets=got,
    )  # fmt: skip
    s.forbid(*ATTACKS)


@situation
def a_crawler_of_thousands_of_sites(s: Stage) -> None:
    """Of 5,000 sites one in twelve refuses and one in thirty is not there."""
    s.healthy = True
    s.site(plans=((100, 40), (300, 100), (500, 500)))
    scene = s.open(90)
    assaults.crawl(scene, scene.hosts[0], s.at(2), s.at(85), 5000, refused=1 / 12, dead=1 / 30)
    s.forbid(*ATTACKS)


@situation
def a_mail_server_with_dead_recipients(s: Stage) -> None:
    """One in twenty of 2,500 domains has no mail server that answers."""
    s.healthy = True
    s.site(plans=((100, 20), (100, 40), (250, 25), (500, 500)))
    scene = s.open(90)
    assaults.crawl(scene, scene.hosts[0], s.at(2), s.at(85), 2500, refused=0.02, dead=0.05, port=25)
    s.forbid(*ATTACKS)


@situation
def quic_is_filtered_and_browsers_fall_back(s: Stage) -> None:
    """Somebody drops UDP to port 443; the same places answer over TCP at once."""
    s.healthy = True
    s.site(plans=ROOMY)
    scene = s.open(80, hosts=12)
    count = 1500
    start = scene.times(s.start, s.end - 60_000, count)
    both = {"inside": scene.pick(scene.hosts, count), "outside": scene.pick(scene.servers(30), count)}
    scene.ledger.add(
        start=start, end=start + 1000, inside_port=scene.ports(count), outside_port=443, protocol=17, kind=STEADY,
        up_octets=3 * 1250, up_packets=3, **both,
    )  # fmt: skip
    scene.ledger.add(
        start=start + 300, end=start + 2500, inside_port=scene.ports(count), outside_port=443, protocol=6, kind=STEADY,
        up_octets=1500, up_packets=10, down_octets=20_000, down_packets=18, up_flags=FIN_ALL, down_flags=FIN_ALL, **both,
    )  # fmt: skip
    s.forbid(*ATTACKS)
