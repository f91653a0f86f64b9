"""Writes a labelled situation as the files a helpdesk would have: an export and a site profile."""

from __future__ import annotations

import gzip
from pathlib import Path

from msgspec.structs import replace

from flowdiag.scenario import activities as do
from flowdiag.scenario import capture
from flowdiag.scenario.exporting import Message
from flowdiag.scenario.scene import Scene
from flowdiag.scenario.site import profile_toml
from flowdiag.scenario.write import Situation, enact, export_messages, generator
from tests.scenarios.delivery import delivered
from tests.scenarios.labels import Labelled

PCAP_HEADER = 24


def lay_out(labelled: Labelled, folder: Path) -> tuple[Path, Path]:
    """Paths of the export and of site.toml."""
    messages = delivered(labelled.situation, labelled.exporting, labelled.ways, labelled.restart)
    site = labelled.situation.site
    export = folder / f"export.{labelled.container}"
    if labelled.container == "ipfix":
        capture.write_messages(export, messages)
    else:
        content = capture.pcap_bytes(messages, site.exporter)
        if labelled.foreign:
            content += capture.pcap_bytes(_foreign(labelled), "192.0.2.254", port=50777)[PCAP_HEADER:]
        export.write_bytes(gzip.compress(content, 1, mtime=0) if "gzip" in labelled.ways else content)
    profile = folder / "site.toml"
    profile.write_text(profile_toml(site), encoding="utf-8")
    return export, profile


def _foreign(labelled: Labelled) -> list[Message]:
    """Another site's router with the same interface numbers, its link full all along."""
    own: Situation = labelled.situation
    site = replace(own.site, name="elsewhere", exporter="192.0.2.254", lan=("10.99.0.0/24",))
    scene = Scene(site, own.start_ms, own.end_ms, generator(99), hosts=3)
    minutes = (own.end_ms - own.start_ms) / 60_000
    do.download(scene, scene.hosts[0], own.start_ms, site.links[0].down_mbps / 8 * 60 * minutes)
    return export_messages(enact(scene), labelled.exporting)
