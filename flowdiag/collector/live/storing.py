"""Closed segments become files of the store, each as a whole or not at all, and once.

Facts the design follows:
- a segment's content names it in the store's catalogue, as that of any export (store/ingest.py): one that was added
  before the crash is not added after it, and one that somebody ingested from a copy is not added twice either;
- a segment that is longer than a minute comes in parts (pieces.py), each of which is here what else a segment is;
- a segment that is in the store already is decoded all the same, for its templates and sequence numbers;
- a file of the store costs the same whatever it holds, and each exporter of a segment needs one. So segments that wait
  are taken together, in one change: work that has piled up is done sooner than it came;
- what cannot be decoded yet is kept (kept.py), and decoded like a segment when that can be expected to work;
- the order is: what is kept, store, knowledge, removal. Whatever is cut short, the next start finds how far it came.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Final

import pyarrow as pa
from msgspec import Struct, field
from msgspec.structs import replace

from flowdiag.collector.clocks import TOLERATED_MS
from flowdiag.collector.datagram import Datagram
from flowdiag.collector.decode.roster import FORGOTTEN
from flowdiag.collector.decode.template_store import EVICTED
from flowdiag.collector.knowledge import Seed
from flowdiag.collector.live import pieces, seed_files
from flowdiag.collector.live.decoders import Decoders, Nowhere
from flowdiag.collector.live.exporter_state import ExporterState
from flowdiag.collector.live.kept import Keeping, Kept, PuttingAside
from flowdiag.collector.live.late import LateDecoders, only_records, tried, worth_trying
from flowdiag.collector.live.spool import Piece, Segment, sync_folder
from flowdiag.collector.live.tally import Counts, by_exporter
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.readers.pcap import read_pcap
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.window import Window
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.adding import Content, add_written, is_added, unit_name
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.layout import NO_DAY, Partition, exporter_of
from flowdiag.collector.store.rolling import Roller
from flowdiag.collector.store.sharing import share
from flowdiag.collector.store.writer import FlowWriter
from flowdiag.durations import DAY_MS

Ended = Callable[[], bool]
More = Callable[[Piece], Sequence[Piece]]

_DAY_S: Final = 86_400
# Days before and after the one of a segment that flows in it can have ended on; exporters may make up any other.
DAYS_BEFORE: Final = 2
DAYS_AFTER: Final = 1
# Partitions of a segment: those days of all exporters there can be (decoders.py).
MAX_PARTITIONS: Final = 16_384


def _never() -> bool:
    return False


def _nothing(_: Piece) -> Sequence[Piece]:
    return ()


class Stored(Struct, frozen=True):
    """What became of a segment."""

    added: bool  # False if its content was in the store already
    records: int = 0
    messages: int = 0
    lost_messages: int = 0
    lost_records: int = 0
    undecoded: int = 0  # data sets
    damage: tuple[str, ...] = ()  # octets or packets that could not be read, in words
    evicted: int = 0  # templates and domains that had to go
    late: int = 0  # of the records, those of kept messages
    rollups_failed: int = 0  # files that ought to have a roll-up and have none
    exporters: Counts = field(default_factory=dict)  # see tally.py


class Storing:
    """Takes the segments of one worker in order. backend: the store, which exists; folder: the worker's spool; roller: makes
    the store's roll-ups.

    Raises StoreError, OSError.
    """

    def __init__(
        self,
        backend: StorageBackend,
        folder: Path,
        known: Seed,
        dissector: Dissector,
        roller: Roller | None = None,
    ) -> None:
        self._backend = backend
        self._roller = roller
        self._folder = folder
        self._dissector = dissector
        self._tried = 0
        self._nothing_on: int | None = None  # the day for which nothing that is kept was worth a try
        self._naming = pieces.Naming()
        self.keeping = Keeping(folder)
        self.keeping.recover(lambda digest: is_added(backend, digest))
        in_store = (exporter_of(name) for name in backend.folders(""))
        self.decoders = Decoders(exporter for exporter in in_store if exporter is not None)
        self.decoders.learn(known)

    def store(
        self,
        segments: Sequence[Piece],
        *,
        last: bool = False,
        ended: Ended = _never,
        enough: Callable[[], bool] = _never,
        more: More = _nothing,
    ) -> tuple[int, Stored]:
        """Decodes segments into the store and removes them: the first one, and those behind it that are as new to the
        store. Gives how many. last: none will follow, so what waits for late messages is counted as lost now; ended:
        asked whether to stop at once; enough: asked after each segment whether those before the next one are to do;
        more: asked after an early part for what follows it, empty if that is not to be waited for.

        Raises StoreError, OSError, Interrupted; then they stay as they are, and what was learned from them is not to be
        used: go on with a new Storing."""
        self._nothing_on = None
        if any(map(pieces.is_part, segments)):
            sync_folder(self._folder)  # where a part ends stays so
        contents = self._naming.contents(segments)
        known = [is_added(self._backend, content.digest) for content in contents]
        most = 1 if known[0] else next((n for n, one in enumerate(known) if one), len(known))
        with self._pass(segments[:most], contents[:most], known=known[0]) as current:
            self.decoders.aside = Nowhere() if current.known else current.aside
            try:
                count = self._decode(current, ended, enough, more)
                current.cut(self.decoders, last=last and count == len(segments))
            finally:
                self.decoders.aside = Nowhere()
            stored = current.commit(count)
        self.decoders.bound()
        done = current.segments[:count]
        seed_files.save(self._folder, done[-1].number, self.decoders.seed())
        for segment in done:
            pieces.remove(segment)
        sync_folder(self._folder)
        return count, stored

    def pass_over(self, segment: Piece) -> None:
        """A part that cannot be decoded by a fault of the program, and is set aside, counts as done. Raises OSError."""
        seed_files.save(self._folder, segment.number, self.decoders.seed())
        pieces.remove(segment)

    def store_kept(self, *, ended: Ended = _never) -> Stored | None:
        """Decodes the next of the files that are kept, None if none is worth it. Raises as store() does."""
        day = int(time.time()) // _DAY_S
        if self._nothing_on == day:
            return None
        files = self.keeping.files()
        files.sort(key=lambda kept: (kept.number <= self._tried, kept.number))  # each in its turn
        kept = next((one for one in files if worth_trying(one, self.decoders, day)), None)
        if kept is None:
            self._nothing_on = day
            return None
        self._tried = kept.number
        segment = Segment(kept.number, kept.path)
        [content] = self._naming.contents([segment])
        known = is_added(self._backend, content.digest)
        with self._pass([segment], [content], known=known) as current:
            if not self._decode_kept(current, kept, ended):
                tried(kept, self.decoders, day)
                return Stored(False)
            stored = current.commit(1)
        self.decoders.bound()
        if kept.kind == "later" and (number := seed_files.covered(self._folder)):
            seed_files.save(self._folder, number, self.decoders.seed())
        self.keeping.remove(kept)
        return replace(stored, late=stored.records)

    def set_aside_kept(self) -> None:
        """What store_kept() tried last shall not be tried again."""
        self.keeping.set_aside(self._tried)

    def end(self) -> Stored:
        """No segment follows: what waits for late messages of exporters that the last one had nothing of is lost now. No
        file of the store holds it, since there is none that it belongs to."""
        reports = [state.cut(last=True)[1] for state in self.decoders.states()]
        return _stored(False, 0, reports)

    def _pass(self, segments: Sequence[Piece], contents: Sequence[Content], *, known: bool) -> _Pass:
        return _Pass(self._backend, segments, contents, self.keeping, known=known, roller=self._roller)

    def _decode(self, current: _Pass, ended: Ended, enough: Callable[[], bool], more: More) -> int:
        """Segment after segment, as many as are enough. Gives how many."""
        count = 0
        while count < len(current.segments):
            segment = current.segments[count]
            current.take(self.decoders, self._datagrams(current, segment), ended)
            count += 1
            if enough():
                break
            if count == len(current.segments) and segment.early and not current.known:
                self._extend(current, more(segment))
        return count

    def _extend(self, current: _Pass, further: Sequence[Piece]) -> None:
        contents = self._naming.contents(further)
        if not any(is_added(self._backend, content.digest) for content in contents):
            current.segments += further
            current.contents += contents

    def _decode_kept(self, current: _Pass, kept: Kept, ended: Ended) -> bool:
        """False if nothing comes of it."""
        datagrams = self._datagrams(current, current.segments[0])
        if kept.kind != "later":
            late = LateDecoders(kept, self.decoders, current.aside)
            current.take(late, datagrams, ended)
            current.cut(late, stripped=True)
            return current.known or current.writer.rows > 0
        self.decoders.aside, self.decoders.late = current.aside, True
        try:
            current.take(self.decoders, datagrams, ended)
            current.cut(self.decoders)
        finally:
            self.decoders.aside, self.decoders.late = Nowhere(), False
        return current.known or current.aside.messages["later"] < kept.messages

    def _datagrams(self, current: _Pass, segment: Piece) -> Iterator[Datagram]:
        with pieces.opened_piece(segment) as octets:
            source = Source(segment.path.name, 0, current.own)
            yield from read_pcap(Window(octets, source.name), source, self._dissector)


class _Pass:
    """Files on their way into the store: whether they are known there, and what is made of them; nothing is left of that
    unless it was committed."""

    def __init__(
        self,
        backend: StorageBackend,
        segments: Sequence[Piece],
        contents: Sequence[Content],
        keeping: Keeping,
        *,
        known: bool,
        roller: Roller | None,
    ) -> None:
        self._backend = backend
        self.contents = [*contents]
        self._draining: list[ExporterState] = []
        self._proven_reports: list[ExportReport] = []  # of exporters that have folders in the store
        self._reports: list[ExportReport] = []
        self.segments = [*segments]
        self.known = known
        self.own = ExportReport()
        began_ms = pieces.began_ms(segments[0])
        day = (began_ms or 0) // DAY_MS
        self.days = range(day - DAYS_BEFORE, day + DAYS_AFTER + 1)
        self.writer = FlowWriter(
            backend,
            unit_name(contents),
            began_ms,
            self._offsets,
            days=self.days,
            partitions=MAX_PARTITIONS,
            roller=roller,
        )
        self.aside: PuttingAside = keeping.begin(contents[0].digest)

    def __enter__(self) -> _Pass:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.writer.discard()
        if kind is None:
            self.aside.discard()
        else:  # nobody knows how far the store came: the next Storing looks
            self.aside.close()

    def take(self, decoders: Decoders | LateDecoders, datagrams: Iterator[Datagram], ended: Ended) -> None:
        """Decodes one of the files. Raises Interrupted."""
        for state in decoders.take(datagrams, self.segments[0].path.name, ended):
            self._write(state, state.decoder.batches())

    def cut(self, decoders: Decoders | LateDecoders, *, last: bool = False, stripped: bool = False) -> None:
        """Takes the rest of the records, and the reports. stripped: of these, only the records count."""
        for state in decoders.touched():
            proven = state.proven
            batches, report = state.cut(last=last)
            self._write(state, batches)
            self._reports.append(only_records(report) if stripped else report)
            if proven:
                self._proven_reports.append(self._reports[-1])

    def commit(self, count: int) -> Stored:
        """Puts it into the store, as a whole, unless it is there already, also because somebody else has added it. count:
        files that were taken."""
        added = False
        if not self.known:
            self.aside.finish()
            contents = self.contents[:count]
            added = add_written(self._backend, contents, self.writer.finish(self._shares()))
        if added:
            self.writer.done()
            self.aside.keep()
        stored = _stored(added, self.writer.rows if added else 0, self._reports)
        damage = tuple(problem.what for problem in self.own.problems)
        return replace(stored, damage=damage, rollups_failed=len(self.writer.faults) if added else 0)

    def _write(self, state: ExporterState, batches: Iterable[pa.RecordBatch]) -> None:
        self._draining[:] = [state]
        for batch in batches:
            if not self.known:
                self.writer.add(batch)

    def _shares(self) -> dict[Partition, ExportReport]:
        """The report of each partition, of the days that the segment can be about."""
        rows = self.writer.partitions
        rows_of: dict[bytes, dict[Partition, int]] = {}
        for partition, count in rows.items():
            rows_of.setdefault(partition.exporter, {})[partition] = count
        shares: dict[Partition, ExportReport] = {}
        for report in self._proven_reports:
            exporters = {session.exporter for session in report.sessions}
            shares |= share(
                report, {p: n for exporter in exporters for p, n in rows_of.get(exporter, {}).items()}
            )
        return {
            p: report for p, report in shares.items() if p in rows or p.day in self.days or p.day == NO_DAY
        }

    def _offsets(self) -> dict[tuple[bytes, int], int]:
        """Clocks that are off by more than is tolerated, as in sharing.clock_offsets."""
        offsets = self._draining[0].decoder.clock_offsets()
        return {source: offset for source, offset in offsets.items() if abs(offset) > TOLERATED_MS}


def _stored(added: bool, records: int, reports: list[ExportReport]) -> Stored:
    return Stored(
        added,
        records,
        sum(session.messages for report in reports for session in report.sessions),
        sum(report.lost_messages for report in reports),
        sum(report.lost_records for report in reports),
        sum(report.undecoded_sets for report in reports),
        evicted=sum(
            problem.count
            for report in reports
            for problem in report.problems
            if problem.what in (EVICTED, FORGOTTEN)
        ),
        exporters=by_exporter(reports, added=added),
    )
