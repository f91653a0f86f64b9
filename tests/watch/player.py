"""A collector in played time: what routers send is written into a spool and stored as a live one does it, minute by minute.

Facts the design follows:
- a segment is what came until a played minute was over, of hours where nobody looks meanwhile, in the spool's own format; it goes
  into the store by the code that takes a live collector's segments, with what it learned from those before, and what could not be
  read yet is tried after it;
- small files are merged as by the upkeep that runs beside a collector, but oftener: a look costs less then, and tells the same;
- nothing has to survive a power cut, so nothing waits for a disk; and there are no roll-ups, which a look does not read.
"""

from __future__ import annotations

from collections.abc import Iterable
from heapq import merge
from pathlib import Path
from typing import Final, NamedTuple

from flowdiag.addresses import to_bytes
from flowdiag.collector.datagram import Datagram, Session
from flowdiag.collector.frames import PCAP_HEADER
from flowdiag.collector.knowledge import Seed
from flowdiag.collector.live.seed_files import packet_of
from flowdiag.collector.live.spool import Segment
from flowdiag.collector.live.storing import Storing
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.upkeep import compact
from flowdiag.durations import HOUR_MS, MINUTE_MS
from flowdiag.scenario.exporting import Message
from flowdiag.scenario.stored_days import Unsynced

MERGE_MS: Final = 10 * MINUTE_MS
LONGEST_MS: Final = 6 * HOUR_MS  # of a segment: what is of another day than it can be is no time of a flow
EXPORT_PORT, COLLECTOR_PORT = 50_001, 2055
COLLECTOR: Final = "192.0.2.250"


class Arriving(NamedTuple):
    time_ms: int
    exporter: str
    payload: bytes


class Player:
    """folder: for the store `flows` and the spool; arriving: of each exporter, in order of arrival; merge_ms: how often files
    are merged."""

    def __init__(self, folder: Path, *arriving: Iterable[Arriving], merge_ms: int = MERGE_MS) -> None:
        self._merge_ms = merge_ms
        self.flows = str(folder / "flows")
        self._backend = Unsynced(self.flows)
        make_store(self._backend)
        self._folder = folder / "spool" / "0"
        self._folder.mkdir(parents=True)
        self._coming = merge(*arriving, key=lambda one: one.time_ms)
        self._next = next(self._coming, None)
        self._storing = Storing(self._backend, self._folder, Seed((), ()), Dissector())
        self._number = 0
        self._merged_ms: int | None = None

    def play(self, until_ms: int) -> None:
        """The store is then as that of a live collector is at until_ms, in played time."""
        while self._next is not None and self._next.time_ms < until_ms - LONGEST_MS:
            self._segment(self._next.time_ms + LONGEST_MS)
        self._segment(until_ms)
        if self._merged_ms is None:
            self._merged_ms = until_ms
        elif until_ms >= self._merged_ms + self._merge_ms:
            self._merged_ms = until_ms
            compact(self._backend)

    def _segment(self, until_ms: int) -> None:
        packets = []
        while self._next is not None and self._next.time_ms < until_ms:
            packets.append(_packet(self._next))
            self._next = next(self._coming, None)
        if packets:
            self._number += 1
            path = self._folder / f"{self._number:012d}.pcap"
            path.write_bytes(b"".join([PCAP_HEADER, *packets]))
            self._storing.store([Segment(self._number, path)])
            while self._storing.store_kept() is not None:
                pass


def arriving(exporter: str, messages: Iterable[Message]) -> list[Arriving]:
    """In order of arrival."""
    return sorted(
        (Arriving(one.time_ms, exporter, one.payload) for one in messages), key=lambda one: one.time_ms
    )


def _packet(one: Arriving) -> bytes:
    exporter = to_bytes(one.exporter)
    session = Session(exporter, EXPORT_PORT, to_bytes(COLLECTOR), COLLECTOR_PORT, "udp")
    return packet_of(Datagram(session, one.payload, one.time_ms, 0))
