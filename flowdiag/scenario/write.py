"""A situation from model to files: carry, meter, encode, write."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import numpy as np
from msgspec import Struct
from numpy.random import Generator
from numpy.typing import NDArray

from flowdiag.scenario import capture, wire_ipfix, wire_v5, wire_v9
from flowdiag.scenario.carry import Carried, carry
from flowdiag.scenario.exporting import Exporting, Message, deliver, without_uncounted
from flowdiag.scenario.metering import Meter, meter_records
from flowdiag.scenario.scene import Scene
from flowdiag.scenario.site import Site
from flowdiag.scenario.truth import Truth

ENCODERS: Final = {"netflow5": wire_v5.encode, "netflow9": wire_v9.encode, "ipfix": wire_ipfix.encode}


class Situation(Struct, frozen=True, eq=False):
    """What happened at a site, and how its router saw it. records: dtype RECORD in order of export."""

    site: Site
    carried: Carried
    records: NDArray[Any]
    meter: Meter
    rng: Generator

    @property
    def start_ms(self) -> int:
        return self.carried.network.start_ms

    @property
    def end_ms(self) -> int:
        return self.carried.network.end_ms

    def truth(self) -> Truth:
        return Truth(self.carried)


def enact(scene: Scene, meter: Meter | None = None) -> Situation:
    """Runs the scene's links and meters what they carried."""
    meter = meter or Meter()
    return metered(carry(scene.ledger, scene.site, scene.network), meter, scene.rng)


def metered(carried: Carried, meter: Meter, rng: Generator) -> Situation:
    """Meters what was carried; the same traffic can be metered in several ways."""
    return Situation(carried.site, carried, meter_records(carried, meter, rng), meter, rng)


def export_messages(situation: Situation, exporting: Exporting) -> list[Message]:
    """The messages that reach the collector, in order."""
    records = without_uncounted(situation.records, exporting)
    messages = ENCODERS[exporting.protocol](
        records,
        situation.carried.addresses,
        exporting,
        situation.start_ms,
        situation.end_ms,
        situation.meter.sampling,
        interface_names(situation.site),
    )
    return deliver(messages, exporting, situation.rng)


def interface_names(site: Site) -> dict[int, str]:
    """Invented names by ifIndex, as a router would export them."""
    names = {site.lan_interface: "lan0"}
    for number, link in enumerate(site.links):
        for index in link.interfaces:
            names[index] = f"wan{number}" if index == link.interfaces[0] else f"wan{number}.{index}"
    return names


def write_export(situation: Situation, path: str | Path, exporting: Exporting) -> Path:
    """Writes the export: an IPFIX file where path ends in .ipfix, a classic pcap otherwise."""
    path = Path(path)
    messages = export_messages(situation, exporting)
    if path.suffix == ".ipfix":
        capture.write_messages(path, messages)
    else:
        capture.write_pcap(path, messages, situation.site.exporter)
    return path


def generator(number: int) -> Generator:
    """The same number gives the same situation, byte for byte."""
    return np.random.Generator(np.random.PCG64(number))
