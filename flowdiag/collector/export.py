"""An export from its paths to flow records: readers or a store, decoder, and what they learned on the way.

Facts the design follows:
- the inputs are read one after another, in the order given and folders in sorted order; each file of messages
  is a session of its own, while the sessions of captures carry over from one file to the next (a rotated
  capture);
- memory holds one chunk of one file, the decoder's tables and one batch, whatever the length of the export.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Final

import pyarrow as pa

from flowdiag.addresses import UNKNOWN_ADDRESS
from flowdiag.buffers import address_column
from flowdiag.collector.datagram import Datagram
from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.knowledge import Seed
from flowdiag.collector.readers.container import Flows, Messages, open_container
from flowdiag.collector.readers.density import pieces_of
from flowdiag.collector.readers.inputs import Input, Progress, SideFileError, find_inputs
from flowdiag.collector.readers.packets import CUT_SHORT, Dissector
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.stored_flows import StoredFlows, unscaled
from flowdiag.collector.report import ExportReport
from flowdiag.collector.run import Run
from flowdiag.collector.span import EVERYTHING, Span
from flowdiag.errors import ExportError, OtherExporters
from flowdiag.flows import FLOW_SCHEMA

# Asking the decoder after each message whether a batch is ready would cost more than the message. One of IPFIX can have
# 64 KiB and thousands of sets.
MESSAGES_BETWEEN_BATCHES: Final = 128
OCTETS_BETWEEN_BATCHES: Final = 1 << 19

Paths = str | Path | Sequence[str | Path]


class Export:
    """An export being read. batches() may be iterated once; report is complete after that."""

    def __init__(
        self,
        inputs: Sequence[Input],
        *,
        scale: bool = True,
        exporters: Collection[bytes] | None = None,
        progress: Progress | None = None,
        span: Span = EVERYTHING,
        columns: Collection[str] | None = None,
    ) -> None:
        self.report = ExportReport()
        self._span = span
        self._columns = columns
        self._inputs = inputs
        self._exporters = None if exporters is None else frozenset(exporters)
        self._progress = progress
        self._octets_read = 0
        self._octets = sum(item.octets for item in inputs)
        self._scale = scale
        self._decoder = Decoder(self.report, scale=scale)
        self._dissector = Dissector()
        self._stored = StoredFlows(self.report)
        self._used = 0  # messages and flow records taken
        self._foreign = 0  # messages of exporters that were not asked for
        self._unusable: list[ExportError] = []
        self._later: tuple[Datagram, ...] = ()

    def resume(self, seed: Seed) -> None:
        """Goes on where other messages ended: knows their templates, names, rates and sequence numbers. Before
        batches()."""
        for datagram in seed.taught:
            self._decoder.teach(datagram)
        for datagram in seed.last:
            self._decoder.feed(datagram)
        self._decoder.cut()  # these messages were counted where they were read
        self._later = seed.later

    def expected(self, rows: int) -> int:
        """How many flow records the export holds in all if `rows` came so far, by the part of its octets read."""
        if not 0 < self._octets_read <= self._octets:
            return 2 * rows  # standard input has no size
        return rows * self._octets // self._octets_read

    def clock_offsets(self) -> dict[tuple[bytes, int], int]:
        """How far each exporter and domain seems to be behind the clock of the capture so far, in ms."""
        return self._decoder.clock_offsets()

    def batches(self) -> Iterator[pa.RecordBatch]:
        """The flow records in batches of FLOW_SCHEMA, in export order within a session.

        Raises ExportError if an input cannot be used at all. A file found in a folder, and a sound capture
        without flow exports, is left out with a problem as long as another input is usable.
        """
        for number, item in enumerate(self._inputs):
            try:
                if item.store is not None:
                    yield from self._from_store(item.store)
                else:
                    yield from self._read(item, Source(item.name, number, self.report))
            except ExportError as error:
                if item.folder is None:
                    raise
                self._unusable.append(error)
        for datagram in self._later:
            self._decoder.teach(datagram, options=False)
        yield from self._decoder.finish()
        self._judge()

    def _read(self, item: Input, source: Source) -> Iterator[pa.RecordBatch]:
        with item.open(source.counting(self._count)) as octets:
            contents = open_container(octets, source, self._dissector)
            before = self._used + self._foreign
            if isinstance(contents, Flows):
                yield from self._flows(contents)
            else:
                yield from self._messages(contents, source)
                if self._used + self._foreign == before:
                    self._unusable.append(self._without_export(contents, source))

    def _messages(self, contents: Messages, source: Source) -> Iterator[pa.RecordBatch]:
        decoder, name = self._decoder, source.name
        feed = decoder.feed
        rows = asked_before = 0
        count, asked_at = 0, MESSAGES_BETWEEN_BATCHES
        work_before, octets = pieces_of(decoder.work), 0
        for datagram in self._wanted(contents.datagrams):
            if isinstance(datagram, Run):
                decoder.feed_run(datagram, name)
                count += datagram.messages
            else:
                feed(datagram, name)
                count += 1
                octets += len(datagram.payload)
            if count >= asked_at or octets >= OCTETS_BETWEEN_BATCHES:
                for batch in decoder.batches():
                    rows += batch.num_rows
                    yield batch
                work = pieces_of(decoder.work)
                if source.too_dense(count - asked_before + work - work_before, rows):
                    break
                asked_before, work_before, octets = count, work, 0
                asked_at = count - count % MESSAGES_BETWEEN_BATCHES + MESSAGES_BETWEEN_BATCHES
        self._used += count

    def _wanted(self, datagrams: Iterator[Datagram | Run]) -> Iterator[Datagram | Run]:
        wanted = self._exporters
        if wanted is None:
            return datagrams
        return self._filtered(datagrams, wanted | {UNKNOWN_ADDRESS})

    def _filtered(
        self, datagrams: Iterator[Datagram | Run], wanted: frozenset[bytes]
    ) -> Iterator[Datagram | Run]:
        for datagram in datagrams:
            if datagram.session.exporter in wanted:
                yield datagram
            else:
                self._foreign += datagram.messages if isinstance(datagram, Run) else 1

    def _flows(self, contents: Flows) -> Iterator[pa.RecordBatch]:
        # Imported here since Parquet is the rare container, and both cost a tenth of a second to load.
        import pyarrow.compute as pc

        from flowdiag.collector.readers.parquet import read_parquet

        for batch in read_parquet(contents.window, contents.source, self._stored):
            if self._exporters is not None:
                wanted = address_column(sorted(self._exporters | {UNKNOWN_ADDRESS}))
                kept = batch.filter(pc.is_in(batch["exporter"], value_set=wanted))
                self._foreign += batch.num_rows - kept.num_rows
                batch = kept
            self._used += batch.num_rows
            if batch.num_rows:
                try:
                    self._stored.add_rows(batch)
                except ExportError as error:
                    error.file = contents.source.name
                    raise
                yield batch if self._scale else unscaled(batch)

    def _from_store(self, where: str) -> Iterator[pa.RecordBatch]:
        from flowdiag.collector.store.opening import open_backend
        from flowdiag.collector.store.reading import StoreReader

        octets = self._octets

        def count(read: int, total: int) -> None:
            self._octets = octets + total
            self._count(read)

        reader = StoreReader(
            open_backend(where), self._unusable.append, span=self._span, columns=self._columns
        )
        for batch in reader.batches(self._stored, self._exporters, count):
            self._used += batch.num_rows
            if batch.num_rows:
                self._stored.add_rows(batch)
                yield batch if self._scale else unscaled(batch)

    def _count(self, octets: int) -> None:
        self._octets_read += octets
        if self._progress is not None:
            self._progress(self._octets_read, self._octets)

    def _without_export(self, contents: Messages, source: Source) -> ExportError:
        cut = any(p.what == CUT_SHORT and p.file == source.name for p in self.report.problems)
        return ExportError(
            f"the {contents.kind} holds no {'whole ' if cut else ''}flow export message",
            file=source.name,
            expected="IPFIX, NetFlow v9 or NetFlow v5",
            advice="capture whole packets (no snap length)"
            if cut
            else "capture where the router's export arrives, and check that the router exports",
        )

    def _judge(self) -> None:
        """Raises if nothing was usable; otherwise notes what was left out."""
        if not self._used and self._foreign:
            raise OtherExporters(
                "nothing in the export comes from the exporters asked for",
                file=self._inputs[0].name,
                expected="messages of the exporters that the site profile lists",
                advice="correct site.exporters in the profile, or leave it out",
            )
        if not self._used and self._unusable:
            raise self._unusable[0]
        for error in self._unusable:
            if not isinstance(error, SideFileError):
                self.report.problem(error.file or "", error.offset, f"left out: {error.what}")
        if self._foreign:
            left_out = "1 message or record" if self._foreign == 1 else f"{self._foreign} messages or records"
            self.report.notes.append(
                f"{left_out} of other exporters {'was' if self._foreign == 1 else 'were'} left out"
            )


def open_export(
    paths: Paths,
    *,
    scale: bool = True,
    exporters: Collection[bytes] | None = None,
    progress: Progress | None = None,
    span: Span = EVERYTHING,
    columns: Collection[str] | None = None,
) -> Export:
    """An export of one or several files, folders, flow stores or "-" (standard input), ready to be read by
    Export.batches().

    scale: multiply octets and packets of sampled flows; exporters: only these (16 octets each), messages
    whose exporter the container does not name are always taken; progress: called with octets read and octets
    in all. span: of a store, read only flows that touch this time, begin and end in ms since 1970 UTC or None;
    columns: of a store, read only these of FLOW_SCHEMA, the others come as null. Raises ExportError for a path that
    does not exist.
    """
    listed = [paths] if isinstance(paths, str | Path) else list(paths)
    return Export(
        find_inputs(listed), scale=scale, exporters=exporters, progress=progress, span=span, columns=columns
    )


def read_export(paths: Paths) -> pa.Table:
    """All flow records of an export as one table of FLOW_SCHEMA, octets and packets scaled for sampling.

    Every record as exported, both metering points included, in export order within a session. Raises
    ExportError.
    """
    table = pa.Table.from_batches(list(open_export(paths).batches()), FLOW_SCHEMA)
    return table.unify_dictionaries()
