"""An invented provider of twelve sites in five clients' folders, each with something to find, up to a given minute.

Facts the design follows:
- a desk asks about now, so what happens is placed by how long ago it is;
- records are a router's: each site is metered and exported, and its export goes into a store as any other;
- what is open at the end is not exported yet, as on any router that is asked about now.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Final

from msgspec import Struct

from flowdiag.collector.store.ingest import ingest
from flowdiag.rollup import ROLLER
from flowdiag.scenario import activities as do
from flowdiag.scenario import trouble
from flowdiag.scenario.exporting import Exporting
from flowdiag.scenario.metering import Meter
from flowdiag.scenario.scene import HOUR, MINUTE, Scene
from flowdiag.scenario.site import Site, SiteKeepalive, SiteLink, profile_toml
from flowdiag.scenario.write import enact, generator, write_export

LENGTH_MS: Final = 4 * HOUR
STEP_MS: Final = 2000  # at which links are shared out: what begins or ends is as near as that
PROBE: Final = SiteKeepalive("198.51.100.1", interval_s=10)
Play = Callable[[Scene, Callable[[float], int]], None]


class ProviderSite(Struct, frozen=True):
    """place: of its profile below the folder of sites, without suffix; finds: the verdict of a note about asked, in minutes ago;
    silent_from: minutes ago from which on nothing reaches the collector; probes: keepalives run and are answered all along."""

    place: str
    name: str
    timezone: str
    down_mbps: float
    up_mbps: float
    finds: str
    asked: tuple[float, float]
    play: Play
    silent_from: float | None = None
    probes: bool = True
    hosts: int = 6
    mbps: float = 2.0


def _upload(scene: Scene, ago: Callable[[float], int]) -> None:
    do.upload(
        scene, scene.hosts[0], ago(38), 20 / 8 * 60 * 50, outside=scene.outside("203.0.113.9"), connections=2
    )
    do.video_call(scene, scene.hosts[4], ago(50), ago(0))


def _download(scene: Scene, ago: Callable[[float], int]) -> None:
    for number in range(4):
        do.download(scene, scene.hosts[number], ago(32), 50 / 8 * 60 * 12)


def _on_backup(scene: Scene, ago: Callable[[float], int]) -> None:
    scene.network.fail(0, ago(27), scene.end, backup=1, gap_ms=3000)


def _was_on_backup(scene: Scene, ago: Callable[[float], int]) -> None:
    scene.network.fail(0, ago(175), ago(140), backup=1, gap_ms=4000)


def _flapping(scene: Scene, ago: Callable[[float], int]) -> None:
    do.call(scene, scene.hosts[1], ago(55), ago(2), dscp=46)
    for begin in (46, 39, 32, 25, 18):
        scene.network.fail(0, ago(begin), ago(begin - 3), backup=1, gap_ms=2000)


def _leak(scene: Scene, ago: Callable[[float], int]) -> None:
    do.upload(scene, scene.hosts[2], ago(200), 0.6 / 8 * 60 * 300, cap_mbps=0.6, link=1)


def _below_plan(scene: Scene, ago: Callable[[float], int]) -> None:
    scene.network.ceiling(0, 0, 31, ago(120), scene.end)
    for number in range(6):
        do.download(scene, scene.hosts[number], ago(40), 31 / 8 * 60 * 8)


def _missing(scene: Scene, ago: Callable[[float], int]) -> None:
    do.keepalive(scene, 1, PROBE, scene.start, ago(95))


def _unanswered(scene: Scene, ago: Callable[[float], int]) -> None:
    do.keepalive(scene, 1, PROBE, scene.start, ago(70))
    do.keepalive(scene, 1, PROBE, ago(70), scene.end, answered=False)


def _nothing(scene: Scene, ago: Callable[[float], int]) -> None:
    pass


def _scan(scene: Scene, ago: Callable[[float], int]) -> None:
    trouble.scan(scene, scene.hosts[3], ago(24), ago(1), 6000)


SITES: Final[tuple[ProviderSite, ...]] = (
    ProviderSite(
        "harbour-ferries/ticket-hall",
        "Harbour Ferries Ticket Hall",
        "Pacific/Auckland",
        100,
        20,
        "link-full",
        (60, 0),
        _upload,
    ),
    ProviderSite(
        "harbour-ferries/workshop",
        "Harbour Ferries Workshop",
        "Pacific/Auckland",
        50,
        10,
        "link-full",
        (60, 0),
        _download,
    ),
    ProviderSite(
        "kowhai-clinics/north-shore",
        "Kowhai Clinic North Shore",
        "Pacific/Auckland",
        100,
        20,
        "on-backup",
        (60, 0),
        _on_backup,
    ),
    ProviderSite(
        "kowhai-clinics/east-side",
        "Kowhai Clinic East Side",
        "Pacific/Auckland",
        100,
        20,
        "on-backup",
        (190, 120),
        _was_on_backup,
    ),
    ProviderSite(
        "kowhai-clinics/city",
        "Kowhai Clinic City",
        "Pacific/Auckland",
        50,
        20,
        "flapping",
        (60, 0),
        _flapping,
    ),
    ProviderSite(
        "rata-schools/river",
        "Rata School River Road",
        "Australia/Sydney",
        250,
        25,
        "backup-leak",
        (180, 0),
        _leak,
        mbps=1.2,
    ),
    ProviderSite(
        "rata-schools/hill",
        "Rata School Hill Top",
        "Australia/Sydney",
        100,
        40,
        "below-plan",
        (60, 0),
        _below_plan,
    ),
    ProviderSite(
        "totara-foods/mill",
        "Totara Foods Mill",
        "Europe/Berlin",
        50,
        10,
        "keepalive-missing",
        (60, 0),
        _missing,
        probes=False,
    ),
    ProviderSite(
        "totara-foods/cold-store",
        "Totara Foods Cold Store",
        "Europe/Berlin",
        50,
        10,
        "keepalive-unanswered",
        (60, 0),
        _unanswered,
        probes=False,
    ),
    ProviderSite(
        "totara-foods/office",
        "Totara Foods Office",
        "Europe/Berlin",
        100,
        40,
        "cannot-tell",
        (40, 0),
        _nothing,
        silent_from=42,
    ),
    ProviderSite(
        "wharf-radio/studio",
        "Wharf Radio Studio",
        "America/Toronto",
        100,
        20,
        "outbound-scan",
        (60, 0),
        _scan,
    ),
    ProviderSite(
        "wharf-radio/transmitter",
        "Wharf Radio Transmitter",
        "America/Toronto",
        20,
        5,
        "not-the-link",
        (60, 0),
        _nothing,
        hosts=5,
        mbps=1,
    ),
)


def make_site(folder: Path, number: int, now_ms: int) -> None:
    """Adds a site to the store `flows` and the profiles `sites/*/*.toml` of a folder, also while others are added. now_ms: since
    1970 UTC; the newest records are of the minute before it."""
    profile = folder / "sites" / f"{SITES[number].place}.toml"
    profile.parent.mkdir(parents=True, exist_ok=True)
    profile.write_text(profile_toml(_site(number)), encoding="utf-8")
    with tempfile.TemporaryDirectory(prefix="flowdiag-") as aside:
        export = Path(aside) / f"{number:02d}.pcap"
        write_site_export(number, export, now_ms // MINUTE * MINUTE)
        ingest([str(export)], str(folder / "flows"), jobs=1, roller=ROLLER)


def write_site_export(number: int, export: Path, end_ms: int) -> None:
    """The capture of what a site's router exported until end_ms."""
    plan, site = SITES[number], _site(number)
    scene = Scene(
        site, end_ms - LENGTH_MS, end_ms, generator(100 + number), hosts=plan.hosts, step_ms=STEP_MS
    )
    do.office(scene, scene.start, scene.end, plan.mbps)
    if plan.probes:
        do.keepalive(scene, 1, PROBE, scene.start, scene.end)
    plan.play(scene, lambda minutes: round(end_ms - minutes * MINUTE))
    silent: tuple[tuple[int, int], ...] = ()
    if plan.silent_from is not None:
        silent = ((round(end_ms - plan.silent_from * MINUTE), end_ms + MINUTE),)
    exporting = Exporting(protocol="netflow9", times="uptime", template_interval_s=60, silent=silent)
    write_export(enact(scene, Meter(flush=False)), export, exporting)


def _site(number: int) -> Site:
    plan = SITES[number]
    exporter = f"192.0.2.{11 + number}"
    lan = f"192.168.{40 + number}"
    return Site(
        name=plan.name,
        timezone=plan.timezone,
        lan=(f"{lan}.0/24",),
        exporter=exporter,
        declared_exporters=(exporter,),
        links=(
            SiteLink("main line", plan.down_mbps, plan.up_mbps, (2,)),
            SiteLink(
                "cellular", 30, 6, (3,), role="backup", variable=True, allowance_gb=50, keepalives=(PROBE,)
            ),
        ),
        labels=((f"{lan}.20/32", "file server"), ("203.0.113.9/32", "off-site backup")),
    )
