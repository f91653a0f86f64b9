"""What a collector was asked to do. Plain values, so that they can be handed to its processes."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from msgspec import Struct

from flowdiag.collector.store.rolling import Roller

# Far above any exporter (a busy router sends some thousand datagrams a second), low enough that the others are served.
RATE: Final = 100_000
SEGMENT_S: Final = 60.0
SEGMENT_OCTETS: Final = 256 << 20
SYNC_S: Final = 1.0
# Half a second of 40,000 datagrams a second; the kernel counts some 2 KiB for each of 1.4 KiB.
BUFFER_OCTETS: Final = 64 << 20
# How long the decoder works on at the end; what waits then is decoded at the next start. With what the receivers may take
# (supervisor.py) the end comes within 10 seconds.
FINISH_S: Final = 4.0


class Settings(Struct, frozen=True):
    """The options of a collector."""

    store: str  # a folder, or an address of an object store
    spool: Path  # a folder
    workers: int = 1
    allow: tuple[str, ...] = ()
    allow_files: tuple[Path, ...] = ()
    rate: int = RATE  # datagrams a second and exporter
    sync_s: float = SYNC_S  # what a crash of the machine may cost
    segment_s: float = SEGMENT_S  # a segment is closed after so long at the latest,
    segment_octets: int = SEGMENT_OCTETS  # or when it has so many octets
    buffer: int = BUFFER_OCTETS  # receive buffer of a UDP socket
    certificate: Path | None = None
    key: Path | None = None
    clients: Path | None = None
    retain: int | None = None  # days of flows to keep; None for all
    retain_rollups: int | None = None  # days of roll-ups to keep; None: they go with their flows
    roller: Roller | None = None  # makes the store's roll-ups

    def folder(self, worker: int) -> Path:
        """The spool of a worker."""
        return self.spool / str(worker)

    @property
    def reserve(self) -> int:
        """Octets that the receiver leaves free: room for the decoder to store the largest segment, which is less than
        half of it, and then to remove it. So a disk that the spool has filled empties itself."""
        return self.segment_octets // 2
