"""Twelve afternoons at the demo's ferry office, from invented traffic over real export octets to the note.

Each is a complaint (or a check without one) whose note is kept as it was read aloud and approved. Tuesday
3 March 2026, 13:00 to 15:00 in Auckland; a primary of 100/20 Mbit/s and a backup of 30/5 Mbit/s.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from msgspec.structs import replace

from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.pipeline import run
from flowdiag.scenario import activities as do
from flowdiag.scenario import trouble
from flowdiag.scenario.capture import pcap_bytes
from flowdiag.scenario.exporting import Exporting
from flowdiag.scenario.library import FERRY_OFFICE
from flowdiag.scenario.scene import MINUTE, Scene
from flowdiag.scenario.site import profile_toml
from flowdiag.scenario.write import enact, export_messages, generator
from flowdiag.site.reading import read_profile
from tests.note.building import ZERO_MS

MINUTES: Final = 120
KEEPALIVE: Final = FERRY_OFFICE.links[1].keepalives[0]


EXPORTING: Final = Exporting(protocol="netflow9", times="uptime", template_interval_s=60)


@dataclass
class Afternoon:
    """An office at work; `played` adds what went wrong. window: local times, or None for all of the export."""

    reported: str | None
    played: Callable[[Scene], None]
    window: tuple[str, str] | None = ("13:30", "14:30")
    keepalives: bool = True
    mbps: float = 8.0
    exporting: Exporting = EXPORTING
    afterwards: Callable[[Scene, Any], None] | None = None  # what else became of the records

    def diagnosis(self) -> Diagnosis:
        begin, end = self.window or (None, None)
        with tempfile.TemporaryDirectory() as name:
            export, profile = self.written(Path(name))
            return run(
                [export], read_profile(profile), window_from=begin, window_to=end, reported=self.reported
            )

    def written(self, folder: Path) -> tuple[Path, Path]:
        """Writes the afternoon's export and the site's profile; their paths."""
        scene = Scene(FERRY_OFFICE, ZERO_MS, at(MINUTES), generator(40), hosts=12)
        do.office(scene, scene.start, scene.end, self.mbps)
        if self.keepalives:
            do.keepalive(scene, 1, KEEPALIVE, scene.start, scene.end)
        self.played(scene)
        situation = enact(scene)
        if self.afterwards is not None:
            self.afterwards(scene, situation.records)
        export, profile = folder / "export.pcap", folder / "site.toml"
        export.write_bytes(pcap_bytes(export_messages(situation, self.exporting), FERRY_OFFICE.exporter))
        profile.write_text(profile_toml(FERRY_OFFICE), encoding="utf-8")
        return export, profile


def at(minutes: float) -> int:
    """Minutes after 13:00."""
    return ZERO_MS + round(minutes * MINUTE)


def nothing_more(scene: Scene) -> None:
    """Only the office."""


def full_upload(scene: Scene) -> None:
    do.upload(scene, scene.hosts[0], at(40), 4_000, outside=scene.outside("203.0.113.9"))
    do.video_call(scene, scene.hosts[4], at(35), at(70))


def full_download(scene: Scene) -> None:
    for number in range(60):
        do.download(scene, scene.hosts[number % 12], at(35 + number / 2), 320)


def trained_down(scene: Scene) -> None:
    scene.network.ceiling(0, 0, 45.0, scene.start, scene.end)
    for number in range(40):
        do.download(scene, scene.hosts[number % 12], at(35 + number), 340 * (0.7 + 0.015 * number))


def on_a_full_backup(scene: Scene) -> None:
    scene.network.fail(0, at(35), at(80), backup=1, gap_ms=2_000)
    do.upload(scene, scene.hosts[0], at(45), 850, outside=scene.outside("203.0.113.9"))


def flapping(scene: Scene) -> None:
    for first, past in ((35, 38), (42, 46), (50, 53), (58, 61)):
        scene.network.fail(0, at(first), at(past), backup=1, gap_ms=2_000)


def outage(scene: Scene) -> None:
    for link in (0, 1):
        scene.network.fail(link, at(50), at(65))
    trouble.stranded(scene, at(50) + 1_000, at(65) - 4_000, 25)
    do.local_copy(scene, scene.hosts[0], scene.hosts[1], scene.start, scene.end, 0.5)


def leak(scene: Scene) -> None:
    do.web(scene, scene.start, scene.end, 0.6, hosts=[scene.hosts[6]], per_host_hour=60, link=1)


def keepalives_stop(scene: Scene) -> None:
    do.keepalive(scene, 1, KEEPALIVE, scene.start, at(40))


def answered_by_the_backup(scene: Scene) -> None:
    do.web(scene, scene.start, scene.end, 5.0, hosts=scene.hosts[4:8], per_host_hour=120)


def swapped(scene: Scene, records: Any) -> None:
    """What comes for four of the hosts comes in by the backup."""
    came = np.isin(records["dst"], scene.hosts[4:8]) & (
        records["ingress"] == FERRY_OFFICE.links[0].interfaces[0]
    )
    records["ingress"][came] = FERRY_OFFICE.links[1].interfaces[0]


def flood(scene: Scene) -> None:
    trouble.flood(
        scene, scene.hosts[1], at(45), at(65), sources=4_000, packets_per_s=35_000, packet_octets=500, tcp=False,
        port=53,
    )  # fmt: skip


AFTERNOONS: Final[dict[str, Afternoon]] = {
    "full-upload": Afternoon("video calls freeze", full_upload),
    "full-download": Afternoon("the internet is slow", full_download),
    "below-plan": Afternoon("downloads crawl", trained_down),
    "on-backup": Afternoon("everything is slow", on_a_full_backup),
    "flapping": Afternoon("it comes and goes", flapping),
    "outage": Afternoon("no internet", outage),
    "leak-in-an-audit": Afternoon(None, leak, window=None),
    "silent-backup-beside-a-complaint": Afternoon("the printer is slow", keepalives_stop, keepalives=False),
    "mostly-silent": Afternoon(
        "slow since lunch!",
        nothing_more,
        exporting=replace(EXPORTING, silent=((at(35), at(85)),)),
    ),
    "asymmetric-path": Afternoon("some sites do not load", answered_by_the_backup, afterwards=swapped),
    "flood": Afternoon("nothing loads", flood),
    "healthy": Afternoon("the internet is slow", nothing_more),
}
