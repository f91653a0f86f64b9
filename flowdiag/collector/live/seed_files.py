"""The definitions and options of a spool's exporters, kept beside it, so that a restart knows their templates at once.

    spool/0/000000000041.told     the messages with templates, names and rates, up to segment 41
    spool/0/000000000041.last     the last message of each domain, for the sequence numbers

Facts the design follows:
- both are captures like the spool itself, so there is no form of our own to keep readable, and any tool shows them;
- they are written when a segment is in the store and before it is removed: a crash in between finds the segment,
  sees that it is in the store, and learns from it again.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.frames import PCAP_HEADER, packet_record, udp_front
from flowdiag.collector.knowledge import Seed
from flowdiag.collector.live.spool import segments, sync_folder, worker_folders
from flowdiag.collector.readers.inputs import Input
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.readers.pcap import read_pcap
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.window import Window
from flowdiag.collector.report import ExportReport
from flowdiag.errors import ExportError
from flowdiag.modes import opened

TAUGHT: Final = ".told"
LAST: Final = ".last"


def save(folder: Path, number: int, seed: Seed) -> None:
    """Keeps what is known after a segment, in place of what was known before. Raises OSError."""
    for suffix, datagrams in ((TAUGHT, seed.taught), (LAST, seed.last)):
        path = folder / f"{number:012d}{suffix}"
        aside = path.with_name(f".{path.name}")
        with open(aside, "wb", opener=opened) as file:
            file.write(PCAP_HEADER)
            file.writelines(packet_of(datagram) for datagram in datagrams)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
        sync_folder(folder)
    for suffix in (LAST, TAUGHT):
        for older in segments(folder, suffix):
            if older.number != number:
                older.path.unlink()


def covered(folder: Path) -> int:
    """The number of the last segment that what is known of a worker's spool covers, 0 if nothing is known."""
    taught = dict(segments(folder, TAUGHT))
    return max((number for number, _ in segments(folder, LAST) if number in taught), default=0)


def load(spool: Path, dissector: Dissector) -> Seed:
    """What is known in all folders of a spool: the kernel may give an exporter to another worker after a restart.

    What is damaged, or is replaced by its worker at this very moment, is left out.
    """
    taught: list[Datagram] = []
    last: list[Datagram] = []
    for folder in worker_folders(spool):
        if number := covered(folder):
            taught += _read(folder / f"{number:012d}{TAUGHT}", dissector)
            last += _read(folder / f"{number:012d}{LAST}", dissector)
    return Seed(tuple(taught), tuple(last))


def tidy(folder: Path) -> None:
    """Removes what a crash left half written."""
    for aside in folder.glob(".*"):
        aside.unlink()


def packet_of(datagram: Datagram) -> bytes:
    """A message as a packet of a capture with PCAP_HEADER."""
    session, payload, time_ms, _ = datagram
    seconds, rest = divmod(time_ms or 0, 1000)
    front = udp_front(session.exporter, session.port, session.collector, session.collector_port, len(payload))
    return packet_record(seconds, rest * 1000, front, payload)


def _read(path: Path, dissector: Dissector) -> Iterator[Datagram]:
    source = Source(path.name, 0, ExportReport())
    try:
        with Input(path.name, path).open(lambda _: None) as octets:
            yield from read_pcap(Window(octets, path.name), source, dissector)
    except (ExportError, OSError):
        return
