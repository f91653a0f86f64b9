"""Named situations of invented sites, for the demo, the documentation and quick tests."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from flowdiag.scenario import activities as do
from flowdiag.scenario.scene import MINUTE, Scene
from flowdiag.scenario.site import Site, SiteKeepalive, SiteLink
from flowdiag.scenario.write import Situation, enact, generator

FERRY_OFFICE = Site(
    name="Puriri Point Ferry Office",
    timezone="Pacific/Auckland",
    lan=("192.168.40.0/24", "2001:db8:40::/48"),
    exporter="192.0.2.10",
    declared_exporters=("192.0.2.10",),
    hours="Mon-Fri 08:00-18:00",
    links=(
        SiteLink("fibre", 100, 20, (2,)),
        SiteLink(
            "lte", 30, 5, (3,), role="backup", variable=True, allowance_gb=50,
            keepalives=(SiteKeepalive("198.51.100.1"),),
        ),
    ),
    labels=(
        ("192.168.40.20/32", "ticket-hall archive"),
        ("192.168.40.24/32", "meeting room"),
        ("203.0.113.9/32", "off-site backup"),
    ),
)  # fmt: skip


def backup_in_the_afternoon() -> Situation:
    """The nightly backup of one machine runs at a quarter past two instead, while someone is in a video call."""
    zone = ZoneInfo(FERRY_OFFICE.timezone)
    start = int(datetime(2026, 3, 3, 13, 0, tzinfo=zone).timestamp() * 1000)
    end = start + 150 * MINUTE
    scene = Scene(FERRY_OFFICE, start, end, generator(40), hosts=14)
    do.office(scene, start, end, 8)
    do.keepalive(scene, 1, FERRY_OFFICE.links[1].keepalives[0], start, end)
    do.upload(scene, scene.hosts[0], start + 75 * MINUTE + 12_000, 5200, outside=scene.outside("203.0.113.9"))
    do.video_call(scene, scene.hosts[4], start + 70 * MINUTE, start + 105 * MINUTE)
    do.streaming(scene, scene.hosts[7], start + 40 * MINUTE, start + 65 * MINUTE, 6)
    return enact(scene)
