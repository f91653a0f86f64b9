"""Messages of exporters, also of more than anybody has, and a worker's spool with them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from flowdiag.collector.datagram import Datagram, Session
from flowdiag.collector.frames import PCAP_HEADER
from flowdiag.collector.live import seed_files
from flowdiag.collector.live.seed_files import packet_of
from flowdiag.collector.live.spool import CLOSED, Segment
from flowdiag.collector.live.storing import Storing
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.opening import open_backend
from tests.collector.decode.wire import EXPORT_S, a_set, flow, ipfix, v4

COLLECTOR = v4("198.51.100.200")
HONEST = 1


def address(number: int) -> bytes:
    """The address of an exporter: private ones, as many as are wanted."""
    return v4(f"10.{number >> 16 & 255}.{number >> 8 & 255}.{number & 255}")


def message(
    *sets: bytes,
    of: int = HONEST,
    sequence: int = 0,
    after_s: float = 0.0,
    domain: int = 1,
    port: int = 50_000,
) -> Datagram:
    octets = ipfix(*sets, sequence=sequence, domain=domain, export_s=EXPORT_S + int(after_s))
    session = Session(address(of), port, COLLECTOR, 4739, "udp")
    return Datagram(session, octets, round((EXPORT_S + after_s) * 1000), 0)


def flows(count: int, template: int = 256, first: int = 1) -> bytes:
    return a_set(template, *map(flow, range(first, first + count)))


class Worker:
    """A worker's spool and its store, without processes. start() forgets what was in memory."""

    def __init__(self, folder: Path) -> None:
        self.store = folder / "store"
        self.spool = folder / "spool"
        self.folder = self.spool / "0"
        self.folder.mkdir(parents=True, exist_ok=True)
        self.backend = open_backend(str(self.store))
        make_store(self.backend)
        self._number = 0
        self.start()

    def start(self) -> None:
        seed_files.tidy(self.folder)
        dissector = Dissector()
        self.storing = Storing(self.backend, self.folder, seed_files.load(self.spool, dissector), dissector)

    def segment(self, messages: Iterable[Datagram]) -> Segment:
        """A closed segment with these messages."""
        self._number += 1
        path = self.folder / f"{self._number:012d}{CLOSED}"
        path.write_bytes(PCAP_HEADER + b"".join(map(packet_of, messages)))
        return Segment(self._number, path)

    def stored(self, *messages: Datagram) -> int:
        """Records that a segment with these messages brings into the store."""
        return self.storing.store([self.segment(messages)])[1].records

    def late(self) -> int:
        """Records that come into the store from what is kept."""
        records = 0
        while (stored := self.storing.store_kept()) is not None:
            records += stored.late
        return records

    @property
    def kept(self) -> list[tuple[str, int]]:
        """Kind and messages of what is kept."""
        return [(kept.kind, kept.messages) for kept in self.storing.keeping.files()]
