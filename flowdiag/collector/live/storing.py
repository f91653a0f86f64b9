"""A closed segment becomes files of the store, as a whole or not at all, and once.

Facts the design follows:
- a segment's content names it in the store's catalogue, as that of any export (store/ingest.py): one that was added
  before the crash is not added after it, and one that somebody ingested from a copy is not added twice either;
- a segment that is in the store already is decoded all the same, for what it tells of templates and sequence numbers;
- the order is: store, knowledge, removal. Whatever is cut short, the next start finds how far it came.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace

from flowdiag.aggregator.clocks import TOLERATED_MS
from flowdiag.collector.frames import PCAP_HEADER, RECORD_HEADER
from flowdiag.collector.knowledge import Seed
from flowdiag.collector.live import knowing
from flowdiag.collector.live.decoders import Decoders, ExporterState
from flowdiag.collector.live.spool import Segment, sync_folder
from flowdiag.collector.live.tally import Counts, by_exporter
from flowdiag.collector.readers.inputs import Input
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.readers.pcap import read_pcap
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.window import Window
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.adding import note_path
from flowdiag.collector.store.changes import Change, commit, note_json
from flowdiag.collector.store.layout import Partition
from flowdiag.collector.store.places import Place
from flowdiag.collector.store.sharing import share
from flowdiag.collector.store.writer import FlowWriter


@dataclass(frozen=True)
class Stored:
    """What became of a segment. added: False if its content was in the store already; damage: octets or packets of the
    segment that could not be read, in words; forgotten: exporters that made the decoders keep too much; exporters: see
    tally.py."""

    added: bool
    records: int = 0
    messages: int = 0
    lost_messages: int = 0
    lost_records: int = 0
    undecoded: int = 0
    damage: tuple[str, ...] = ()
    forgotten: int = 0
    exporters: Counts = field(default_factory=dict)


class Storing:
    """Takes the segments of one worker in order. place: the store, which exists."""

    def __init__(self, place: Place, known: Seed, dissector: Dissector) -> None:
        self._place = place
        self._dissector = dissector
        self.decoders = Decoders()
        self.decoders.learn(known)

    def store(self, segment: Segment, *, last: bool = False) -> Stored:
        """Decodes a segment into the store and removes it. last: none will follow, so what waits for late messages or
        templates is counted as lost and undecoded now.

        Raises StoreError, OSError; then it stays as it is, and what was learned from it is not to be used: go on with a
        new Storing."""
        folder = segment.path.parent
        digest = _digest(segment)
        known = self._place.read(note_path(digest)) is not None
        stored = self._decode(segment, digest, known, last)
        knowing.save(folder, segment.number, self.decoders.seed())
        segment.path.unlink()
        sync_folder(folder)
        return stored

    def end(self) -> Stored:
        """No segment follows: what waits for late messages or templates of exporters that the last one had nothing of is
        lost and undecoded now. No file of the store tells it, since there is none that it belongs to."""
        reports = [state.cut(last=True)[1] for state in self.decoders.states()]
        return _stored(False, 0, reports)

    def _decode(self, segment: Segment, digest: str, known: bool, last: bool) -> Stored:
        draining: list[ExporterState] = []
        writer = FlowWriter(self._place, digest, _began_ms(segment), lambda: _offsets(draining[0]))
        own = ExportReport()
        reports: list[ExportReport] = []
        try:
            with Input(segment.path.name, segment.path).open(lambda _: None) as octets:
                source = Source(segment.path.name, 0, own)
                datagrams = read_pcap(Window(octets, source.name), source, self._dissector)
                for state in self.decoders.take(datagrams, source.name):
                    draining[:] = [state]
                    for batch in state.decoder.batches():
                        if not known:
                            writer.add(batch)
            for state in self.decoders.touched():
                draining[:] = [state]
                batches, report = state.cut(last=last)
                for batch in batches:
                    if not known:
                        writer.add(batch)
                reports.append(report)
            damage = tuple(problem.what for problem in own.problems)
            added = not known and self._add(segment, digest, writer, reports)
        except BaseException:
            writer.discard()
            raise
        forgotten = self.decoders.bound()
        return replace(
            _stored(added, writer.rows if added else 0, reports), damage=damage, forgotten=forgotten
        )

    def _add(self, segment: Segment, digest: str, writer: FlowWriter, reports: list[ExportReport]) -> bool:
        """False if somebody else has added the same content meanwhile."""
        rows = writer.partitions
        shares: dict[Partition, ExportReport] = {}
        for report in reports:
            exporters = {session.exporter for session in report.sessions}
            shares |= share(
                report, {part: count for part, count in rows.items() if part.exporter in exporters}
            )
        files = writer.finish(shares)
        note = note_json(
            name=segment.path.name,
            octets=segment.path.stat().st_size,
            unit=digest,
            records=writer.rows,
            last_day=max((file.partition.day for file in files), default=-1),
        )
        change = Change({file.aside: file.target for file in files}, notes={note_path(digest): note})
        if commit(self._place, change, lambda: self._place.read(note_path(digest)) is None):
            return True
        for file in files:
            self._place.remove(file.aside)
        return False


def _stored(added: bool, records: int, reports: list[ExportReport]) -> Stored:
    return Stored(
        added,
        records,
        sum(session.messages for report in reports for session in report.sessions),
        sum(report.lost_messages for report in reports),
        sum(report.lost_records for report in reports),
        sum(report.undecoded_sets for report in reports),
        exporters=by_exporter(reports, added=added),
    )


def _digest(segment: Segment) -> str:
    with segment.path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _began_ms(segment: Segment) -> int | None:
    """When its first packet came."""
    with segment.path.open("rb") as file:
        head = file.read(len(PCAP_HEADER) + RECORD_HEADER.size)
    if len(head) < len(PCAP_HEADER) + RECORD_HEADER.size:
        return None
    seconds, microseconds, _, _ = RECORD_HEADER.unpack_from(head, len(PCAP_HEADER))
    return int(seconds) * 1000 + int(microseconds) // 1000


def _offsets(state: ExporterState) -> dict[tuple[bytes, int], int]:
    """Clocks that are off by more than is tolerated, as in sharing.clock_offsets."""
    offsets = state.decoder.clock_offsets()
    return {source: offset for source, offset in offsets.items() if abs(offset) > TOLERATED_MS}
