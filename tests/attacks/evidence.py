"""What became of records: in the spool and in the store, read from their files by nothing of the program."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow.parquet as pq
from numpy.typing import NDArray

from flowdiag.collector.frames import PCAP_HEADER, RECORD_HEADER
from tests.attacks.honest import RECORD, TEMPLATE_ID, Honest, own_numbers

# Where they stand in a packet of the spool: Ethernet, IPv4 and UDP headers before the payload.
SOURCE: Final = slice(26, 30)
SOURCE_PORT: Final = slice(34, 36)
PAYLOAD: Final = 42
_MESSAGE_HEADER: Final = 16

Numbers = NDArray[np.uint64]


class Spooled:
    """Keeps the segments of a spool by further links to them, since the collector removes them when they are decoded."""

    def __init__(self, spool: Path, kept: Path) -> None:
        self._spool = spool
        self._kept = kept
        kept.mkdir()

    def keep(self) -> None:
        """To be called more often than segments come and go."""
        for path in (*self._spool.glob("*/*.open"), *self._spool.glob("*/*.pcap")):
            with suppress(FileNotFoundError, FileExistsError):  # removed meanwhile, or kept before
                os.link(path, self._kept / str(path.stat().st_ino))

    def numbers(self, exporter: Honest) -> Numbers:
        """The different records of an exporter that were spooled."""
        address = socket.inet_aton(exporter.address)
        ports = {port.to_bytes(2, "big") for port in exporter.ports}
        sets = [
            part
            for path in self._kept.iterdir()
            for packet in _packets(path.read_bytes())
            if packet[SOURCE] == address and packet[SOURCE_PORT] in ports
            for part in _data(packet[PAYLOAD:])
        ]
        records = np.frombuffer(b"".join(sets), RECORD)
        return np.unique(
            own_numbers(records["octets"].astype(np.uint64), records["packets"].astype(np.uint64))
        )


class Stored:
    """The records of an exporter in a store. Files that were read are not read again."""

    def __init__(self, store: Path, exporter: Honest) -> None:
        self._folder = store / f"exporter={exporter.address}"
        self._read: set[Path] = set()
        self._numbers: list[Numbers] = []

    def numbers(self) -> Numbers:
        """All of them, in any order; one that is in the store twice is here twice."""
        for path in self._folder.glob("day=*/*.parquet"):
            if path not in self._read:
                table = pq.read_table(path, columns=["octets", "packets"], partitioning=None)
                self._numbers.append(own_numbers(table["octets"].to_numpy(), table["packets"].to_numpy()))
                self._read.add(path)
        return np.concatenate([np.zeros(0, np.uint64), *self._numbers])


def _packets(capture: bytes) -> Iterator[bytes]:
    place = len(PCAP_HEADER)
    while place + RECORD_HEADER.size <= len(capture):
        start = place + RECORD_HEADER.size
        place = start + RECORD_HEADER.unpack_from(capture, place)[2]
        yield capture[start:place]


def _data(message: bytes) -> Iterator[bytes]:
    """The records of the honest exporters' template, without anything else."""
    place = _MESSAGE_HEADER
    while place + 4 <= len(message):
        number, length = (int.from_bytes(message[place + at : place + at + 2], "big") for at in (0, 2))
        if length < 4:
            return
        if number == TEMPLATE_ID:
            content = message[place + 4 : place + length]
            yield content[: len(content) // RECORD.itemsize * RECORD.itemsize]
        place += length


def memory(pid: int) -> int:
    """Octets that a process and all that it has started hold; what they share counts once (Pss, proc(5))."""
    total = 0
    with suppress(OSError, ValueError):  # gone meanwhile
        text = Path(f"/proc/{pid}/smaps_rollup").read_text()
        total += sum(int(line.split()[1]) << 10 for line in text.splitlines() if line.startswith("Pss:"))
        for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
            total += memory(int(child))
    return total
