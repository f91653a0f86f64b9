"""What must hold for any octets whatever: the question that the fuzzer tries to answer with no.

An input is a file, as a person would give it to flowdiag. Reading it ends, raises nothing but ExportError with
one line, and gives a valid flow table in which no flow ends before it starts; the records counted are the rows
made; and the table and the report do not depend on how the stream was cut into batches, but for what options
tell about flows that came before them, which counts for those of the same batch, and the place, the sequence and
the interface names of data sets that had to wait for a template.
"""

from __future__ import annotations

import io
from typing import NamedTuple

import pyarrow as pa
import pyarrow.compute as pc

from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.readers.container import Messages, open_container
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.readers.source import Source
from flowdiag.collector.report import ExportReport
from flowdiag.collector.run import Run
from flowdiag.errors import ExportError
from flowdiag.flows import FLOW_SCHEMA

# Transports whose messages act differently: over UDP withdrawals are ignored, in a file details options count.
TRANSPORTS = ("file", "udp", "tcp")
CUTS = (1 << 17, 3)


class Reading(NamedTuple):
    """A file as read. held: whether data sets had to wait for a template."""

    table: pa.Table
    report: ExportReport
    held: bool


class Broken(Exception):
    """A promise of the collector that an input breaks."""


def read_twice(octets: bytes) -> None:
    """Reads a file with each cut. Raises Broken, or whatever the collector wrongly raises."""
    whole, cut = (read(octets, batch_rows) for batch_rows in CUTS)
    if isinstance(whole, str) or isinstance(cut, str):
        if whole != cut:
            raise Broken(f"one cut reads, another does not: {whole!r}, {cut!r}")
        return
    if any(told.option_records for told in whole.report.sessions):
        whole, cut = _without_what_options_tell(whole), _without_what_options_tell(cut)
    if whole.held:
        whole, cut = _without_order(whole), _without_order(cut)
    if whole.table != cut.table:
        raise Broken("the flow table depends on the size of a batch")
    if whole.report != cut.report:
        raise Broken("the report depends on the size of a batch")


def read(octets: bytes, batch_rows: int) -> Reading | str:
    """What a file holds, or the line that says why it cannot be used."""
    report = ExportReport()
    try:
        contents = open_container(io.BytesIO(octets), Source("file", 0, report), Dissector())
    except ExportError as error:
        return _one_line(str(error))
    if not isinstance(contents, Messages):
        return "flow records that were decoded before"
    decoder = Decoder(report, batch_rows=batch_rows)
    transport = TRANSPORTS[sum(octets[-4:]) % len(TRANSPORTS)]
    batches = []
    try:
        for datagram in contents.datagrams:
            if datagram.session.transport == "file":
                datagram = datagram._replace(session=datagram.session._replace(transport=transport))
            if isinstance(datagram, Run):
                decoder.feed_run(datagram, "file")
            else:
                decoder.feed(datagram, "file")
            batches += decoder.batches()
        batches += decoder.finish()
    except ExportError as error:
        return _one_line(str(error))
    table = pa.Table.from_batches(batches, FLOW_SCHEMA).unify_dictionaries().combine_chunks()
    # The order in which names came to be known is no part of the table.
    at = table.schema.get_field_index("application")
    table = table.set_column(at, "application", table["application"].cast(pa.string()))
    # Readers note what they meet at once, the decoder when a batch is made.
    report.problems.sort(key=lambda problem: (problem.what, problem.offset or 0))
    _check(table, report)
    return Reading(table, report, decoder._message_decoder._holding._number > 0)


def _without_what_options_tell(reading: Reading) -> Reading:
    report = reading.report
    for told in report.sessions:
        told.octets_scaled, told.sampling = told.octets, 1
    report.impossible_times = 0
    report.problems.clear()
    names = ("start", "end", "octets", "packets", "application", "exporter", "sampling")
    return reading._replace(table=reading.table.drop_columns(list(names)))


def _without_order(reading: Reading) -> Reading:
    """What late data sets leave alike: the flows, and all counts but those of the sequence."""
    report, table = reading.report, reading.table
    for told in report.sessions:
        told.lost_messages = told.lost_records = told.restarts = told.undecoded_records = 0
        told.sequence_reading, told.lost_is_estimate = "", False
    report.losses.clear()
    report.interfaces.clear()  # the last name counts
    keys = [(name, "ascending") for name in table.column_names]
    return reading._replace(table=table.sort_by(keys))


def _one_line(text: str) -> str:
    if not text or "\n" in text:
        raise Broken(f"an error of more or less than one line: {text!r}")
    return text


def _check(table: pa.Table, report: ExportReport) -> None:
    table.validate(full=True)
    if pc.any(pc.greater(table["start"], table["end"])).as_py():
        raise Broken("a flow ends before it starts")
    records = sum(told.records for told in report.sessions)
    if not records <= table.num_rows <= 2 * records:
        raise Broken(f"{records} records became {table.num_rows} rows")
    for told in report.sessions:
        counts = (told.messages, told.records, told.option_records, told.lost_messages, told.lost_records,
                  told.duplicates, told.restarts, told.undecoded_sets, told.undecoded_records)  # fmt: skip
        if min(counts) < 0:
            raise Broken(f"a count below zero: {told}")
        if told.sampling < 1:
            raise Broken(f"sampling by a factor below 1: {told}")
    for problem in report.problems:
        _one_line(problem.what)
