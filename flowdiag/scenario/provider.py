"""An invented provider of twelve sites in five clients' folders: something to find at a given minute, which goes on for an hour.

Facts the design follows:
- a desk asks about now, so what happens is placed by how long ago it is;
- records are a router's: each site is metered and exported, and its export goes into a store as any other;
- what is open at that minute is not exported yet, as on any router that is asked about now: what routers export later lies aside,
  minute by minute, and is added as its time comes.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from itertools import groupby
from pathlib import Path
from typing import Final

from msgspec import Struct

from flowdiag.collector.store.ingest import ingest
from flowdiag.rollup import ROLLER
from flowdiag.scenario import activities as do
from flowdiag.scenario import trouble
from flowdiag.scenario.capture import write_pcap
from flowdiag.scenario.exporting import Exporting, Message
from flowdiag.scenario.metering import Meter
from flowdiag.scenario.scene import HOUR, MINUTE, Scene
from flowdiag.scenario.site import Site, SiteKeepalive, SiteLink, profile_toml
from flowdiag.scenario.write import enact, export_messages, generator

LENGTH_MS: Final = 4 * HOUR
AHEAD_MS: Final = HOUR  # what goes on at the given minute goes on as long
FLOWS, SITE_PROFILES, COMING = "flows", "sites", "coming"
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
        scene, scene.hosts[0], ago(38), 20 / 8 * 60 * 110, outside=scene.outside("203.0.113.9"), connections=2
    )
    do.video_call(scene, scene.hosts[4], ago(50), scene.end)


def _download(scene: Scene, ago: Callable[[float], int]) -> None:
    for number in range(4):
        do.download(scene, scene.hosts[number], ago(32), 50 / 8 * 60 * 25)


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
    for begin in range(40, -60, -20):  # again and again, each time as much as the line gives until the next
        for number in range(6):
            do.download(scene, scene.hosts[number], ago(begin), 31 / 8 * 60 * 20 * 1.05 / 6)


def _missing(scene: Scene, ago: Callable[[float], int]) -> None:
    do.keepalive(scene, 1, PROBE, scene.start, ago(95))


def _unanswered(scene: Scene, ago: Callable[[float], int]) -> None:
    do.keepalive(scene, 1, PROBE, scene.start, ago(70))
    do.keepalive(scene, 1, PROBE, ago(70), scene.end, answered=False)


def _nothing(scene: Scene, ago: Callable[[float], int]) -> None:
    pass


def _scan(scene: Scene, ago: Callable[[float], int]) -> None:
    trouble.scan(scene, scene.hosts[3], ago(24), scene.end, 22_000)


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
    """Adds a site to the store `flows`, the profiles `sites/*/*.toml` and the exports to come of a folder, also while others are
    added. now_ms: since 1970 UTC; the newest records in the store are of the minute before it."""
    profile = folder / SITE_PROFILES / f"{SITES[number].place}.toml"
    profile.parent.mkdir(parents=True, exist_ok=True)
    site, now_ms = _site(number), now_ms // MINUTE * MINUTE
    profile.write_text(profile_toml(site), encoding="utf-8")
    messages = site_messages(number, now_ms)
    with tempfile.TemporaryDirectory(prefix="flowdiag-") as aside:
        export = Path(aside) / f"{number:02d}.pcap"
        write_pcap(export, [one for one in messages if one.time_ms < now_ms], site.exporter)
        ingest([str(export)], str(folder / FLOWS), jobs=1, roller=ROLLER)
    # Each minute begins with the templates, and can be read by itself.
    later = (one for one in messages if now_ms <= one.time_ms < now_ms + AHEAD_MS)
    for minute, its in groupby(later, lambda one: one.time_ms // MINUTE):
        place = folder / COMING / f"{(minute + 1) * MINUTE}"
        place.mkdir(parents=True, exist_ok=True)
        write_pcap(place / f"{number:02d}.pcap", list(its), site.exporter)


def add_coming(folder: Path, now_ms: int) -> bool:
    """Adds to the store what routers exported until now_ms (ms since 1970 UTC). Gives whether more is to come. Raises StoreError,
    OSError."""
    places = sorted((folder / COMING).glob("*"), key=lambda place: int(place.name))
    due = [place for place in places if int(place.name) <= now_ms]
    if due:
        ingest([str(place) for place in due], str(folder / FLOWS), jobs=1, roller=ROLLER)
        for place in due:
            shutil.rmtree(place)
    return len(due) < len(places)


def site_messages(number: int, now_ms: int) -> list[Message]:
    """What reaches the collector of a site's router, from some hours before now_ms to an hour after it, in order."""
    plan, site = SITES[number], _site(number)
    end_ms = now_ms + AHEAD_MS
    scene = Scene(
        site, now_ms - LENGTH_MS, end_ms, generator(100 + number), hosts=plan.hosts, step_ms=STEP_MS
    )
    do.office(scene, scene.start, scene.end, plan.mbps)
    if plan.probes:
        do.keepalive(scene, 1, PROBE, scene.start, scene.end)
    plan.play(scene, lambda minutes: round(now_ms - minutes * MINUTE))
    silent: tuple[tuple[int, int], ...] = ()
    if plan.silent_from is not None:
        silent = ((round(now_ms - plan.silent_from * MINUTE), end_ms + MINUTE),)
    exporting = Exporting(protocol="netflow9", times="uptime", template_interval_s=60, silent=silent)
    return export_messages(enact(scene, Meter(flush=False)), exporting)


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
