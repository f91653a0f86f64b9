"""Situations of an invented site, played through its router into a store, to be looked at while they go on."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

from msgspec import Struct

from flowdiag.collector.store.ingest import ingest
from flowdiag.rollup import ROLLER
from flowdiag.scenario import activities as do
from flowdiag.scenario.exporting import Exporting
from flowdiag.scenario.library import FERRY_OFFICE
from flowdiag.scenario.metering import Meter
from flowdiag.scenario.scene import HOUR, MINUTE, Scene
from flowdiag.scenario.site import profile_toml
from flowdiag.scenario.write import enact, generator, write_export
from flowdiag.site.profile import Profile
from flowdiag.site.reading import read_profile

NOW: Final = 1_772_497_800_000  # 3 March 2026 13:30 in Auckland, a Tuesday
LENGTH_MS: Final = 3 * HOUR
KEEPALIVE: Final = FERRY_OFFICE.links[1].keepalives[0]
Trouble = Callable[[Scene], None]


class Played(Struct, frozen=True):
    store: str
    profile: Profile


def play(
    folder: Path,
    trouble: Trouble,
    *,
    keepalives: bool = True,
    silent_from: int | None = None,
    silent_until: int | None = None,
    loss: float = 0.0,
    mbps: float | None = 4,
) -> Played:
    """An ordinary day with trouble, until NOW; what is open then is not exported yet. keepalives: they run and are answered, else
    the trouble has its own; silent_from: nothing reaches the collector from then on; silent_until: before;
    loss: part of the messages that is lost; mbps: what an office uses on average, None: there are names to ask for now and
    then, and that is all."""
    folder.mkdir(parents=True, exist_ok=True)
    scene = Scene(FERRY_OFFICE, NOW - LENGTH_MS, NOW, generator(7), hosts=10)
    if mbps is None:
        do.dns(scene, scene.start, scene.end, per_host_hour=1)
    else:
        do.office(scene, scene.start, scene.end, mbps)
    if keepalives:
        do.keepalive(scene, 1, KEEPALIVE, scene.start, scene.end)
    trouble(scene)
    silent = [(silent_from, NOW + MINUTE)] if silent_from is not None else []
    silent += [(scene.start, silent_until)] if silent_until is not None else []
    exporting = Exporting(
        protocol="netflow9", times="uptime", template_interval_s=60, silent=tuple(silent), loss=loss
    )
    export = folder / "export.pcap"
    write_export(enact(scene, Meter(flush=False)), export, exporting)
    file = folder / "site.toml"
    file.write_text(profile_toml(FERRY_OFFICE), encoding="utf-8")
    ingest([str(export)], str(folder / "flows"), jobs=1, roller=ROLLER)
    return Played(str(folder / "flows"), read_profile(file))


def ago(minutes: float) -> int:
    return round(NOW - minutes * MINUTE)
