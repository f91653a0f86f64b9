"""Lines that give less than their plan, and what looks like it, with the simplest traffic (see plain_traffic.py)."""

from __future__ import annotations

import numpy as np

from flowdiag.scenario import activities as do
from tests.scenarios.plain_traffic import ROOMY, flow, plan
from tests.scenarios.stage import Stage, situation


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
                s, scene.hosts[number], 15 + minute, 16 + minute, server=int(servers[number]), inside_port=int(ports[number]),
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
            flow(s, host, 15 + minute, 16 + minute, server=server, down=level * shares[minute, number],
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
        flow(s, host, 0, 120, up=plan(s)[1] * 0.05)
    s.look(20, 80)
    s.forbid("below-plan", "link-busy", "link-full")


@situation
def a_level_hour_of_unequal_flows(s: Stage) -> None:
    """A dozen flows at rates of their own, side by side, add up to two fifths of the plan."""
    s.healthy = True
    s.site(plans=ROOMY)
    scene = s.open(90, hosts=14, background=0.01)
    for number, share in enumerate(s.rng.dirichlet(np.full(12, 3.0))):
        server = int(scene.servers(1)[0])
        flow(s, scene.hosts[number], 10 + s.uniform(0, 4), 70 + s.uniform(0, 6), server=server,
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
            flow(s, scene.hosts[number], minute, minute + 1, down=level * share)
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
        flow(s, scene.hosts[0], minute, minute + 1, server=server, down=s.uniform(0.1, 0.5) * plan(s)[0],
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


@situation
def many_short_downloads_on_a_lower_line(s: Stage) -> None:
    """Hundreds of small downloads, more than the line takes: each is one record, and is over within a minute or so."""
    s.site(plans=((50, 10), (100, 20), (100, 40)))
    scene = s.open(75, hosts=14, background=0.01)
    level = s.uniform(0.4, 0.6) * plan(s)[0]
    scene.network.ceiling(0, 0, level, s.start, s.end)
    pause_s = s.uniform(2.0, 5.0)
    for number in range(int(40 * 60 / pause_s)):
        octets = level / 8 * pause_s * s.uniform(0.6, 1.5)
        do.download(
            scene, s.choose(scene.hosts), s.at(15 + (number + s.uniform(0, 1)) * pause_s / 60), octets
        )
    s.look(10, 65)
    s.want("below-plan", severity="critical", link="fibre", direction="down")
    s.verdict("below-plan")
