"""Full and busy links, and what only looks full."""

from __future__ import annotations

from flowdiag.scenario import activities as do
from flowdiag.scenario.scene import MINUTE
from tests.scenarios.stage import Stage, situation


@situation
def backup_job_fills_the_upload(s: Stage) -> None:
    s.site(backup=bool(s.rng.random() < 0.5))
    scene = s.open(90)
    host = s.choose(scene.hosts)
    s.look(25, 70)
    do.upload(
        scene,
        host,
        s.at(s.uniform(20, 35)),
        s.up_megabytes(s.uniform(12, 30)),
        connections=s.choose((1, 1, 4)),
    )
    s.verdict("link-full")


@situation
def updates_fill_the_download(s: Stage) -> None:
    s.site()
    scene = s.open(80, hosts=int(s.rng.integers(6, 30)))
    server = int(scene.servers(1)[0])
    count = int(s.rng.integers(3, 6))
    for host in scene.hosts[:count]:
        do.download(scene, host, s.at(s.uniform(20, 22)), s.down_megabytes(18) / count, outside=server)
    s.look(15, 60)
    s.verdict("link-full")


@situation
def one_download_fills_the_link(s: Stage) -> None:
    s.site()
    scene = s.open(60)
    do.download(
        scene,
        s.choose(scene.hosts),
        s.at(12),
        s.down_megabytes(s.uniform(8, 25)),
        connections=s.choose((1, 6)),
    )
    s.verdict("link-full")


@situation
def both_directions_are_full(s: Stage) -> None:
    s.site(plans=((20, 2), (50, 10), (100, 20), (500, 500)))
    scene = s.open(70)
    do.upload(scene, scene.hosts[1], s.at(15), s.up_megabytes(20), application="file-sync")
    do.download(scene, scene.hosts[2], s.at(20), s.down_megabytes(15))
    s.verdict("link-full")


@situation
def everyone_at_once_fills_the_download(s: Stage) -> None:
    s.site(plans=((50, 10), (100, 20), (100, 40), (300, 100)))
    scene = s.open(75, hosts=40)
    for host in scene.hosts:
        for _ in range(4):
            size = s.down_megabytes(22) / 40 / 4
            do.download(scene, host, s.at(s.uniform(15, 40)), size * s.uniform(0.5, 1.5))
    s.verdict("link-full")


@situation
def sync_on_a_slow_dsl_line(s: Stage) -> None:
    s.site((5, 1), framing="pppoe")
    scene = s.open(120, hosts=5, background=0.05)
    do.upload(scene, scene.hosts[3], s.at(30), s.up_megabytes(40), application="file-sync")
    do.call(scene, scene.hosts[1], s.at(40), s.at(55))
    s.look(30, 60)
    s.want("realtime-contention", severity="warning")
    s.verdict("link-full")


@situation
def a_gigabit_line_is_full(s: Stage) -> None:
    s.site((1000, 500))
    scene = s.open(50, hosts=30)
    for host in scene.hosts[:8]:
        do.download(scene, host, s.at(s.uniform(15, 16)), s.down_megabytes(14) / 8, connections=4)
    s.look(10, 40)
    s.verdict("link-full")


@situation
def full_for_two_minutes_only(s: Stage) -> None:
    s.router(active_s=60)
    s.site()
    scene = s.open(60)
    # Starts on a whole minute, so that two minutes are full and the third is not.
    start = s.at(20) // MINUTE * MINUTE
    do.upload(scene, scene.hosts[0], start, s.up_megabytes(2.0))
    s.forbid("link-full:sustained", "below-plan")
    s.look(10, 50)


@situation
def bursts_with_rests(s: Stage) -> None:
    s.router(active_s=60)
    s.site()
    scene = s.open(75)
    for minute in (10, 18, 27, 35, 44, 52):
        do.download(scene, s.choose(scene.hosts), s.at(minute) // MINUTE * MINUTE, s.down_megabytes(1.4))
    s.forbid("link-full:sustained", "below-plan")


@situation
def one_quiet_minute_inside_a_full_time(s: Stage) -> None:
    s.router(active_s=60)
    s.site()
    scene = s.open(70, background=0.03)
    minute = s.at(20) // MINUTE * MINUTE
    # Bound to end on time: what does not fit in six minutes is not asked for.
    do.upload(scene, scene.hosts[0], minute, s.up_megabytes(6.0))
    do.upload(scene, scene.hosts[0], minute + 7 * MINUTE + 20_000, s.up_megabytes(8.0))
    s.verdict("link-full")


@situation
def busy_at_85_percent_for_long(s: Stage) -> None:
    s.site(plans=((50, 10), (100, 20), (100, 40), (300, 100)), framing="ethernet")
    scene = s.open(80, background=0.02)
    link = s.the_site.links[0]
    do.download(
        scene, scene.hosts[0], s.at(15), link.down_mbps * 0.8 / 8 * 60 * 40, cap_mbps=link.down_mbps * 0.80
    )
    s.look(10, 65)
    s.forbid("link-full", "below-plan")
    s.verdict("link-busy")


@situation
def busy_with_streams(s: Stage) -> None:
    s.site(plans=((100, 20), (100, 40), (250, 25)), framing="ethernet")
    scene = s.open(90, hosts=30, background=0.02)
    plan = s.the_site.links[0].down_mbps
    for host in scene.hosts[:20]:
        begin = s.uniform(8, 14)
        do.streaming(scene, host, s.at(begin), s.at(begin + s.uniform(55, 70)), plan * 0.78 / 20)
    s.look(20, 60)
    s.forbid("link-full", "below-plan")
    s.verdict("link-busy")


@situation
def full_but_not_in_the_window(s: Stage) -> None:
    s.site()
    scene = s.open(200)
    do.upload(scene, scene.hosts[2], s.at(20), s.up_megabytes(15))
    s.look(110, 170)


@situation
def full_before_and_into_the_window(s: Stage) -> None:
    s.site()
    scene = s.open(150)
    do.download(scene, scene.hosts[2], s.at(30), s.down_megabytes(45))
    s.look(55, 110)
    s.verdict("link-full")


@situation
def a_short_window_inside_a_long_full_time(s: Stage) -> None:
    s.site()
    scene = s.open(120)
    do.upload(scene, scene.hosts[-1], s.at(20), s.up_megabytes(70))
    s.look(50, 60)
    s.verdict("link-full")


@situation
def small_packets_fill_the_wire(s: Stage) -> None:
    """112 octets of IP in each packet: 150 on the wire, so two thirds of the plan in IP octets are all of
    it.
    """
    s.site((20, 20), framing="wire")
    scene = s.open(60, hosts=20, background=0.02)
    _small_packets(s, scene.hosts, 0.955 * 112 / 150)
    s.verdict("link-full")
    s.allow("realtime-contention")


@situation
def small_packets_on_a_plan_that_counts_ip(s: Stage) -> None:
    """The same packets on a plan that counts IP octets only: busy at the most."""
    s.site((20, 20), framing="ip")
    scene = s.open(60, hosts=20, background=0.02)
    _small_packets(s, scene.hosts, 0.60)
    s.forbid("link-full")
    s.verdict("not-the-link")


def _small_packets(s: Stage, hosts: list[int], share: float) -> None:
    from flowdiag.scenario.ledger import STEADY

    begin, finish = s.at(12), s.at(48)
    octets = share * 20 * 125_000 * (finish - begin) / 1000 / 16
    for host in hosts[:16]:
        s.scene.ledger.add(
            start=begin + s.uniform(0, 9000), end=finish - s.uniform(0, 9000), inside=host,
            outside=s.scene.servers(1)[0], inside_port=int(s.scene.ports(1)[0]), outside_port=1194,
            protocol=17,
            kind=STEADY, up_octets=octets, up_packets=octets / 112, down_octets=octets,
            down_packets=octets / 112,
        )  # fmt: skip


@situation
def thresholds_of_the_profile(s: Stage) -> None:
    """Full at 75 % by the profile: a transfer held at 82 % is full."""
    from msgspec.structs import replace

    s.site((100, 40), framing="ethernet")
    s.the_site = replace(s.the_site, thresholds={"full": 0.75, "busy": 0.5})
    scene = s.open(70, background=0.02)
    do.download(scene, scene.hosts[0], s.at(15), 82 / 8 * 60 * 25, cap_mbps=81)
    s.verdict("link-full")


@situation
def ipv6_fills_the_link(s: Stage) -> None:
    s.site(v6=True)
    scene = s.open(70)
    server = int(scene.servers(1, v6=True)[0])
    do.download(scene, scene.hosts6[1], s.at(20), s.down_megabytes(20), outside=server)
    s.look(15, 50)
    s.verdict("link-full")


@situation
def a_copy_inside_the_lan(s: Stage) -> None:
    """Fast, but on no link."""
    s.site()
    scene = s.open(60)
    do.local_copy(
        scene, scene.hosts[0], scene.hosts[1], s.at(10), s.at(40), s.the_site.links[0].down_mbps * 2
    )
    s.forbid("link-full", "link-busy", "below-plan", "single-host")
    s.automatic = False


@situation
def a_long_flow_at_40_percent(s: Stage) -> None:
    """Reported in lumps of half an hour: octets put at the time of the report would invent a full link."""
    s.router(active_s=1800)
    s.site()
    scene = s.open(100, background=0.02)
    link = s.the_site.links[0]
    do.download(
        scene, scene.hosts[0], s.at(10), link.down_mbps * 0.4 / 8 * 60 * 60, cap_mbps=link.down_mbps * 0.4
    )
    s.forbid("link-full", "link-busy")
    s.allow("below-plan") if link.variable else s.forbid("below-plan")


@situation
def half_full_and_metered_twice(s: Stage) -> None:
    s.router(protocol="ipfix", both_points=True, direction_field=True)
    s.site()
    scene = s.open(60)
    link = s.the_site.links[0]
    do.upload(
        scene, scene.hosts[0], s.at(10), link.up_mbps * 0.45 / 8 * 60 * 30, cap_mbps=link.up_mbps * 0.45
    )
    s.forbid("link-full", "link-busy")


@situation
def full_and_metered_twice(s: Stage) -> None:
    s.router(protocol="netflow9", both_points=True, direction_field=True)
    s.site()
    scene = s.open(60)
    do.upload(scene, scene.hosts[0], s.at(15), s.up_megabytes(18))
    s.verdict("link-full")
