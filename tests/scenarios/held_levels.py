"""Levels held under the plan for a short time or by few, ceilings that wander, and what only looks like either.

Each says whether the link was the cause. Where it was, and nothing can be alleged, the all-clear must not be given
with high confidence; `tests/scenarios/test_held_levels.py` asks for that.
"""

from __future__ import annotations

import numpy as np

from flowdiag.scenario import activities as do
from flowdiag.scenario.ledger import BULK_DOWN
from flowdiag.scenario.network import OCTETS_PER_MBPS_MS
from tests.scenarios.plain_traffic import ROOMY, flow, plan
from tests.scenarios.stage import Stage, situation

FINE = (5, 10, 15, 30, 60)
SHORT_PLANS = ((50, 10), (100, 20), (100, 40), (250, 25))


def _short(s: Stage, direction: int = 0, minutes: float = 2.0) -> float:
    """A short export of a line that gives about six tenths of its plan; that rate in Mbit/s of IP octets or less."""
    s.router(active_s=s.choose(FINE), sampling=1)
    s.site(plans=SHORT_PLANS)
    scene = s.open(minutes, background=0.01)
    level = s.uniform(0.5, 0.68) * plan(s)[direction]
    scene.network.ceiling(0, direction, level, s.start, s.end)
    s.forbid("link-full", "link-busy")
    s.verdict("not-the-link", "cannot-tell")
    return level


def _megabytes(level: float, seconds: float) -> float:
    return level / 8 * seconds * 0.95


def wander(s: Stage, level: float, amount: float, minutes: tuple[float, float], direction: int = 0) -> None:
    """A ceiling whose logarithm walks about that of level: `amount` standard deviation, forgotten within two minutes."""
    network = s.scene.network
    steps, hold = network.steps, round(120_000 / network.step_ms)
    walk = np.zeros(steps)
    for step in range(1, steps):
        walk[step] = walk[step - 1] * (1 - 1 / hold) + s.rng.normal(0, amount * np.sqrt(2 / hold))
    first, stop = (round((s.at(minute) - s.start) / network.step_ms) for minute in minutes)
    rate = level * np.clip(np.exp(walk), 0.6, 1.4) * OCTETS_PER_MBPS_MS * network.step_ms
    network.capacity[0, direction, first:stop] = rate[first:stop]


def _satellite(s: Stage, amount: float, begin: float, end: float) -> None:
    """Four to eight transfers of as many hosts and servers, each with more to fetch than the line gives until the end."""
    s.router(active_s=s.choose((10, 15, 30, 60)), sampling=1)
    s.site((150, 15), variable=True)
    scene = s.open(50, hosts=14, background=0.01)
    level = s.uniform(35, 60)
    wander(s, level, amount, (0, 50))
    count = int(s.rng.integers(4, 9))
    length = end - begin
    for number, server in enumerate(scene.crowd(count)):
        # All but two end earlier, one after another: what they leave goes to the others at once.
        part = 1.0 if number < 2 else s.uniform(0.5, 1.0)
        do.download(
            scene, scene.hosts[number], s.at(begin + s.uniform(0, 0.04) * length),
            level / 8 * 60 * length * part / count, outside=int(server),
        )  # fmt: skip


@situation
def one_download_at_what_the_line_gives(s: Stage) -> None:
    """The link was the cause: one transfer stands at its ceiling for most of a short export."""
    level = _short(s)
    do.download(s.scene, s.choose(s.scene.hosts), s.at(0.1), _megabytes(level, s.uniform(40, 105)))


@situation
def two_downloads_at_what_the_line_gives(s: Stage) -> None:
    """The link was the cause: two transfers share its ceiling."""
    level = _short(s)
    for number, server in enumerate(s.scene.crowd(2)):
        octets = _megabytes(level, s.uniform(50, 100)) / 2
        do.download(s.scene, s.scene.hosts[number], s.at(0.1 + 0.1 * number), octets, outside=int(server))


@situation
def a_few_uploads_at_what_the_line_gives(s: Stage) -> None:
    """The link was the cause: three to five uploads for a minute or two of a quarter of an hour."""
    level = _short(s, direction=1, minutes=16)
    count, seconds = int(s.rng.integers(3, 6)), s.uniform(60, 150)
    for number, server in enumerate(s.scene.crowd(count)):
        octets = _megabytes(level, seconds) / count * s.uniform(0.7, 1.3)
        begin = 6 + s.uniform(0, 0.3)
        do.upload(s.scene, s.scene.hosts[number % 4], s.at(begin), octets, outside=int(server))
    s.look(2, 14)


@situation
def one_quic_download_at_what_the_line_gives(s: Stage) -> None:
    """The link was the cause: as one download, over UDP port 443 (RFC 9000) in packets of data."""
    level = _short(s)
    s.scene.ledger.add(
        start=s.at(0.1), inside=s.scene.hosts[0], outside=int(s.scene.crowd(1)[0]),
        inside_port=int(s.scene.ports(1)[0]), outside_port=443, protocol=17, kind=BULK_DOWN, segment=1280.0,
        down_octets=_megabytes(level, s.uniform(40, 105)) * 1e6,
    )  # fmt: skip


@situation
def a_satellite_gives_little_and_wanders(s: Stage) -> None:
    """The link was the cause: its ceiling wanders by a quarter, far under the typical rate, for a quarter of an hour."""
    _satellite(s, 0.25, 12, 28)
    s.look(10, 32)
    s.automatic = False
    s.want("below-plan", severity="critical", link="fibre", direction="down")
    s.verdict("below-plan")


@situation
def a_satellite_gives_little_for_three_minutes(s: Stage) -> None:
    """The link was the cause, for too short a time to allege it."""
    _satellite(s, 0.2, 12, 15)
    s.look(10, 20)
    s.verdict("not-the-link")


@situation
def slow_servers_whose_rates_wander(s: Stage) -> None:
    """The link was not the cause: on a satellite line with room, six servers each give what they can at the time."""
    s.healthy = True
    s.router(active_s=s.choose((10, 15, 30, 60)), sampling=1)
    s.site((150, 15), variable=True)
    scene = s.open(50, hosts=14, background=0.01)
    ports = scene.ports(6)
    for number, server in enumerate(scene.crowd(6)):
        rate = s.uniform(5, 9)
        for step in range(12 * 3, 30 * 3):
            rate = float(np.clip(rate * np.exp(s.rng.normal(0, 0.15)), 3, 14))
            flow(s, scene.hosts[number], step / 3, (step + 1) / 3, server=int(server), down=rate,
                 inside_port=int(ports[number]))  # fmt: skip
    s.look(10, 32)
    s.forbid("below-plan", "link-full", "link-busy")


@situation
def videos_fetched_piece_by_piece(s: Stage) -> None:
    """The link was not the cause: three players fetch four seconds of video at a time, and pause between."""
    s.healthy = True
    s.router(active_s=s.choose((10, 30, 60)), sampling=1)
    s.site(plans=ROOMY)
    scene = s.open(40, background=0.01)
    for host in scene.hosts[:3]:
        server, port = int(scene.servers(1)[0]), int(scene.ports(1)[0])
        at, pace = 5.0, plan(s)[0] * s.uniform(0.15, 0.3)
        while at < 35:
            seconds = s.uniform(0.4, 1.0)
            flow(s, host, at, at + seconds / 60, server=server, down=pace, inside_port=port)
            at += s.uniform(3.5, 4.5) / 60
    s.look(5, 35)
    s.forbid("below-plan", "link-busy", "link-full")


@situation
def cameras_and_calls_at_their_own_rate(s: Stage) -> None:
    """The link was not the cause: streams over UDP, each a few hundredths of the upload, all along."""
    s.healthy = True
    s.router(active_s=s.choose((10, 30, 60)), sampling=1)
    s.site(plans=((100, 20), (100, 40), (300, 100)))
    scene = s.open(40, hosts=10, background=0.01)
    for host in scene.hosts[:6]:
        flow(s, host, 0, 40, up=plan(s)[1] * s.uniform(0.03, 0.05), protocol=17, port=6970)
    for host in scene.hosts[6:8]:
        do.call(scene, host, s.at(5), s.at(35))
    s.look(5, 35)
    s.forbid("below-plan", "link-busy", "link-full")


@situation
def a_backup_to_a_slow_server(s: Stage) -> None:
    """The link was not the cause: the far end takes a twentieth to an eighth of the upload."""
    s.healthy = True
    s.router(active_s=s.choose((10, 30, 60)), sampling=1)
    s.site(plans=((100, 20), (100, 40), (300, 100)))
    scene = s.open(40, background=0.01)
    level = plan(s)[1] * s.uniform(0.05, 0.12)
    do.upload(scene, scene.hosts[0], s.at(5), level / 8 * 60 * 28, cap_mbps=level)
    s.look(5, 35)
    s.forbid("below-plan", "link-busy", "link-full")


@situation
def many_pages_at_once(s: Stage) -> None:
    """The link was not the cause: browsing alone, a quarter of the plan on average, none of it for long."""
    s.healthy = True
    s.router(active_s=s.choose((10, 30, 60)), sampling=1)
    s.site(plans=((300, 100), (500, 500)))
    scene = s.open(40, hosts=30, background=0.01)
    do.web(scene, s.start, s.end, plan(s)[0] * 0.2, per_host_hour=400)
    s.look(5, 35)
    s.forbid("below-plan", "link-busy", "link-full")
