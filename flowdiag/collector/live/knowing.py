"""What the exporters of a spool have told, kept beside it, so that a restart knows their templates at once.

    spool/0/000000000041.told     the messages with templates, names and rates, up to segment 41
    spool/0/000000000041.last     the last message of each domain, for the sequence numbers

Facts the design follows:
- both are captures like the spool itself, so there is no form of our own to keep readable, and any tool shows them;
- they are written when a segment is in the store and before it is removed: a crash in between finds the segment,
  sees that it is in the store, and learns from it again.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import Final, NamedTuple

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.frames import PCAP_HEADER, packet_record, udp_front
from flowdiag.collector.knowledge import Seed
from flowdiag.collector.live.spool import segments, sync_folder
from flowdiag.collector.readers.inputs import Input
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.readers.pcap import read_pcap
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.window import Window
from flowdiag.collector.report import ExportReport
from flowdiag.errors import ExportError

TOLD: Final = ".told"
LAST: Final = ".last"


class Known(NamedTuple):
    """number: of the last segment that it covers, 0 if nothing is known."""

    number: int
    seed: Seed


def save(folder: Path, number: int, seed: Seed) -> None:
    """Keeps what is known after a segment, in place of what was known before. Raises OSError."""
    for suffix, datagrams in ((TOLD, seed.taught), (LAST, seed.last)):
        path = folder / f"{number:012d}{suffix}"
        aside = path.with_name(f".{path.name}")
        with aside.open("wb") as file:
            file.write(PCAP_HEADER)
            file.writelines(_packet(datagram) for datagram in datagrams)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
        sync_folder(folder)
    for suffix in (LAST, TOLD):
        for older in segments(folder, suffix):
            if older.number != number:
                older.path.unlink()


def load(folder: Path, dissector: Dissector) -> Known:
    """The newest that is whole. What is damaged is left out."""
    told = dict(segments(folder, TOLD))
    for number, path in reversed(segments(folder, LAST)):
        if number in told:
            return Known(number, Seed(tuple(_read(told[number], dissector)), tuple(_read(path, dissector))))
    return Known(0, Seed())


def _packet(datagram: Datagram) -> bytes:
    session, payload, time_ms, _ = datagram
    seconds, rest = divmod(time_ms or 0, 1000)
    front = udp_front(session.exporter, session.port, session.collector, session.collector_port, len(payload))
    return packet_record(seconds, rest * 1000, front, payload)


def _read(path: Path, dissector: Dissector) -> Iterable[Datagram]:
    source = Source(path.name, 0, ExportReport())
    with Input(path.name, path).open(lambda _: None) as octets:
        try:
            yield from read_pcap(Window(octets, path.name), source, dissector)
        except ExportError:
            return
