"""Routers that translate addresses between two metering points, or export the outer side alone; and uploads metered before
the queue that drops a part of them.
"""

from __future__ import annotations

from msgspec.structs import replace

from flowdiag.scenario import activities as do
from flowdiag.scenario.ledger import STEADY
from flowdiag.scenario.scene import Scene
from flowdiag.scenario.translating import Translation
from tests.scenarios.stage import Stage, situation

ROUTER = "203.0.113.250"
PLANS = ((50, 10), (100, 20), (100, 40), (250, 25))


def translate(s: Stage, scene: Scene, *, inner: bool = True, spared: tuple[int, ...] = ()) -> int:
    """The router translates; whether it keeps ports is drawn. Returns the number of its address."""
    router = scene.outside(ROUTER)
    keep = bool(s.rng.random() < 0.5)
    s.router(active_s=60, translation=Translation(router, inner, keep, spared))
    return router


def opened(s: Stage, minutes: float = 70, hosts: int = 14) -> Scene:
    s.site(plans=PLANS, v6=False)
    return s.open(minutes, hosts=hosts, background=0.03)


@situation
def an_upload_behind_translation(s: Stage) -> None:
    scene = opened(s)
    do.upload(scene, scene.hosts[2], s.at(20), s.up_megabytes(20))
    translate(s, scene)
    s.verdict("link-full")


@situation
def a_download_behind_translation(s: Stage) -> None:
    scene = opened(s)
    do.download(scene, scene.hosts[1], s.at(20), s.down_megabytes(20), connections=4)
    translate(s, scene)
    s.verdict("link-full")


@situation
def two_uploads_of_one_size_to_one_server_behind_translation(s: Stage) -> None:
    scene = opened(s)
    server = int(scene.servers(1)[0])
    for host in scene.hosts[:2]:
        do.upload(scene, host, s.at(20), s.up_megabytes(20) / 2, outside=server)
    translate(s, scene)
    s.verdict("link-full")


@situation
def many_devices_behind_translation(s: Stage) -> None:
    """Seen from outside, one address fills the line; inside, no device has much of it."""
    scene = opened(s, hosts=30)
    for host in scene.hosts:
        for _ in range(3):
            size = s.down_megabytes(20) / 30 / 3
            do.download(scene, host, s.at(s.uniform(15, 35)), size * s.uniform(0.6, 1.4))
    translate(s, scene)
    s.forbid("single-host")
    s.verdict("link-full")


@situation
def a_forwarded_port_behind_translation(s: Stage) -> None:
    """A server inside is called from outside and answers with all that the upload can carry."""
    scene = opened(s)
    visitor = int(scene.servers(1)[0])
    scene.ledger.add(
        start=s.at(20), end=s.at(42), inside=scene.hosts[0], outside=visitor, inside_port=443,
        outside_port=int(scene.ports(1)[0]), protocol=6, kind=STEADY,
        up_octets=s.up_megabytes(22) * 1.2e6, up_packets=s.up_megabytes(22) * 1000,
        down_octets=s.up_megabytes(22) * 2e4, down_packets=s.up_megabytes(22) * 500,
    )  # fmt: skip
    translate(s, scene)
    s.verdict("link-full")


@situation
def a_server_with_its_own_public_address_beside_translation(s: Stage) -> None:
    s.site(plans=PLANS, v6=False)
    s.the_site = replace(s.the_site, lan=(*s.the_site.lan, "203.0.113.248/32"))
    scene = s.open(70, hosts=14, background=0.03)
    server = scene.outside("203.0.113.248")
    do.upload(scene, server, s.at(20), s.up_megabytes(20))
    translate(s, scene, spared=(server,))
    s.verdict("link-full")


@situation
def a_healthy_site_behind_translation(s: Stage) -> None:
    scene = opened(s)
    do.download(scene, scene.hosts[3], s.at(10), s.down_megabytes(1))
    translate(s, scene, inner=bool(s.rng.random() < 0.5))
    s.healthy = True


@situation
def only_the_outside_of_translation_is_exported(s: Stage) -> None:
    scene = opened(s)
    start, minutes = s.at(20) // 60_000 * 60_000, 15
    do.upload(scene, scene.hosts[2], start, s.up_megabytes(minutes))
    translate(s, scene, inner=False)
    s.automatic = False
    s.allow("link-busy", "realtime-contention")
    s.want("link-full", link="fibre", direction="up", start=start, hosts={ROUTER: 1.0})
    s.forbid("single-host", "outbound-scan")
    s.note = "stands for all hosts behind it"
    s.verdict("link-full")


def _send(s: Stage, scene: Scene, part: float, minutes: float = 20) -> None:
    """A stream over UDP that does not care how much of it arrives. part: of the upload's plan."""
    octets = part * s.the_site.links[0].up_mbps * 125_000 * 60 * minutes
    scene.ledger.add(
        start=s.at(20), end=s.at(20 + minutes), inside=scene.hosts[0], outside=scene.servers(1)[0],
        inside_port=int(scene.ports(1)[0]), outside_port=4100, protocol=17, kind=STEADY, up_octets=octets,
        up_packets=octets / 1300, down_octets=octets / 500, down_packets=octets / 50_000,
    )  # fmt: skip


@situation
def more_is_offered_than_the_upload_carries(s: Stage) -> None:
    scene = opened(s)
    _send(s, scene, s.uniform(1.1, 1.5))
    s.router(active_s=60, before_queue=True)
    # Shares are parts of what was sent, of which the truth knows what was carried.
    s.automatic = False
    s.allow("link-busy", "realtime-contention", "single-host")
    s.want("link-full", link="fibre", direction="up", start=s.at(20), end=s.at(40))
    s.verdict("link-full")


@situation
def the_upload_is_faster_than_its_record(s: Stage) -> None:
    """The line carries 112 % of the plan on record, and is full at that."""
    scene = opened(s)
    scene.network.capacity[0, 1] *= 1.12
    do.upload(scene, scene.hosts[2], s.at(20), s.up_megabytes(22))
    s.router(active_s=60)
    s.verdict("link-full")
