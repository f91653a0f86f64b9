"""Export messages in, record batches of the flow table out. Sans-I/O: no files, sockets, clocks or sites.

Facts the design follows:
- a data set is records of one template end to end (RFC 7011 3.4.3), so Python walks headers only: the sets of
  one template wait together and become columns in one step (columns.py, normalise.py), and rows then return
  to the order of export;
- most messages hold one data set of a known template and carry the sequence number that was expected: these
  take a short way, all others the long one (message_decoder.py); runs of them (run.py) take it in one step;
- a message that is not malformed acts as a whole, a malformed one not at all (RFC 7011 9.1).

Rates and names that come after flows count for those that still wait for their batch, so up to BATCH_ROWS
records back; a rate that changes counts from its message on.
"""

from __future__ import annotations

from array import array
from collections import deque
from collections.abc import Iterator
from struct import Struct
from struct import error as cut_short
from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from flowdiag.collector.datagram import Datagram, Session
from flowdiag.collector.decode.allowance import Allowance
from flowdiag.collector.decode.closing import close_report, take_report
from flowdiag.collector.decode.domain import SETS, Domain, Group, Stream
from flowdiag.collector.decode.holding import Unread
from flowdiag.collector.decode.limits import BATCH_ROWS, MESSAGE_COST, SET_COST, VALUE_COST, Limits
from flowdiag.collector.decode.malformed import Malformed
from flowdiag.collector.decode.message_decoder import MessageDecoder
from flowdiag.collector.decode.messages import (
    HEADER_KEPT,
    IPFIX,
    IPFIX_HEADER,
    NETFLOW5,
    NETFLOW5_HEADER,
    NETFLOW5_RECORD,
    NETFLOW9,
    NETFLOW9_HEADER,
)
from flowdiag.collector.decode.normalise import Normaliser
from flowdiag.collector.decode.options import Names, Options
from flowdiag.collector.decode.problems import Problems
from flowdiag.collector.decode.recent import Recent
from flowdiag.collector.decode.roster import Roster
from flowdiag.collector.decode.stretch import Stretch
from flowdiag.collector.decode.templates import layout_of
from flowdiag.collector.decode.work import Work
from flowdiag.collector.report import ExportReport
from flowdiag.collector.run import MOST_MESSAGES, Run

_SEQUENCE: Final = 0xFFFF_FFFF
# Header and head of the first set.
_IPFIX: Final = Struct(">HHIIIHH").unpack_from
_NETFLOW9: Final = Struct(">HHIIIIHH").unpack_from
_NETFLOW5: Final = Struct(">HHIIIIHH").unpack_from
_SET: Final = Struct(">HH").unpack_from
_NO_GROUPS: Final[dict[int, Group]] = {}
_INDICES: Final = np.arange(MOST_MESSAGES, dtype=np.uint32)


class Decoder:
    """Feed export messages, take record batches of FLOW_SCHEMA; the report is complete after finish().

    scale: multiply octets and packets of sampled flows; batch_rows: records that make a batch; unread: gets the data
    sets whose template has not come by the end of a stretch, as messages to be fed later; None counts them as undecoded.
    """

    def __init__(
        self,
        report: ExportReport,
        *,
        limits: Limits = Limits(),  # noqa: B008 (frozen)
        scale: bool = True,
        batch_rows: int = BATCH_ROWS,
        unread: Unread | None = None,
    ) -> None:
        self.report = report
        self._limits = limits
        self._batch_rows = batch_rows
        self._gaps = Allowance(limits.gaps)
        self._problems = Problems(report, limits.problems)
        self._names = Names(report, limits)
        self._options = Options(report, limits, self._names)
        self._roster = Roster(report, limits)
        self._session: Session | None = None
        self._stream: Stream | None = None
        self._ipfix: dict[int, Domain] = {}
        self._netflow9: dict[int, Domain] = {}
        self._netflow5: dict[int, Domain] = {}
        self._file = ""
        self._stretch = Stretch(0, "")
        self._rows = 0
        self._groups = 0
        self._sealed: deque[Stretch] = deque()
        self._pending_octets = limits.pending_octets
        self._recent = Recent(limits.recent_messages)
        self._recent_payloads = self._recent.payloads
        self._recent_sessions = self._recent.sessions
        self._normaliser = Normaliser(report, limits, self._names, self._problems, scale=scale)
        self._message_decoder = MessageDecoder(
            report, limits, self._options, self._problems, self._roster, self._seal, unread
        )

    def feed(self, datagram: Datagram, file: str = "") -> None:
        """Takes one export message. Never raises: what cannot be used is counted in report.problems."""
        session, payload, time_ms, offset = datagram
        if session is not self._session:
            self._enter_session(session)
        if file is not self._file:
            self._enter_file(file)
        stretch = self._stretch
        header = payload[:HEADER_KEPT]
        try:
            version = header[1]
            if version == IPFIX:
                version, length, seconds, sequence, number, set_id, set_length = _IPFIX(header)
                domain = self._ipfix[number]
                group = domain.groups[set_id]
                start = IPFIX_HEADER + 4
                count = step = (set_length - 4) // group.width
            elif version == NETFLOW9:
                version, _, _, seconds, sequence, number, set_id, set_length = _NETFLOW9(header)
                domain = self._netflow9[number]
                group = domain.groups[set_id]
                length = len(payload)
                start = NETFLOW9_HEADER + 4
                count, step = (set_length - 4) // group.width, 1
            else:
                version, count, _, seconds, _, sequence, number, sampling = _NETFLOW5(header)
                domain = self._netflow5[number]
                group = domain.groups[0] if sampling == domain.header_sampling else _NO_GROUPS[0]
                length = len(payload) if version == NETFLOW5 else 0
                start, set_length, step = NETFLOW5_HEADER, 4 + NETFLOW5_RECORD * count, count
        except (KeyError, IndexError, cut_short):
            self._unusual(datagram)
            return
        usual = start + set_length - 4 == length == len(payload) and version <= IPFIX
        if not usual or sequence != domain.expected or len(header) < HEADER_KEPT:
            self._unusual(datagram)
            return
        headers = stretch.headers
        message = len(headers)
        headers.append(header)
        stretch.domains.append(domain.index)
        stretch.records.append(count)
        stretch.offsets.append(offset)
        group.parts.append(payload[start : start + count * group.width])
        group.set_numbers.append(message * SETS)
        group.counts.append(count)
        domain.expected = (sequence + step) & _SEQUENCE
        self._recent_payloads.append(payload)
        self._recent_sessions.append(session)
        stretch.rows += count
        stretch.octets += length + MESSAGE_COST
        if seconds != domain.clock_second and time_ms is not None:
            domain.add_clock(time_ms, seconds, self._limits.clock_samples)
        if stretch.rows >= self._batch_rows or stretch.octets >= self._pending_octets:
            self._seal()

    def feed_run(self, run: Run, file: str = "") -> None:
        """Takes the messages of a run as feed() would one after another."""
        if run.session is not self._session:
            self._enter_session(run.session)
        if file is not self._file:
            self._enter_file(file)
        sequences = run.sequences()
        index = 0
        while index < run.messages:
            taken = self._take_usual(run, sequences, index)
            if not taken:
                self.feed(run.message(index), file)
            index += taken or 1

    def _take_usual(self, run: Run, sequences: NDArray[np.uint32], index: int) -> int:
        """Takes the messages of a run from an index on that take the short way, as far as the batch has room. Gives how
        many."""
        _, length, _, sequence, number, set_id, set_length = _IPFIX(run.data, run.start)
        start = IPFIX_HEADER + 4
        domain = self._ipfix.get(number)
        group = None if domain is None else domain.groups.get(set_id)
        if domain is None or group is None or start + set_length - 4 != length or length < HEADER_KEPT:
            return 0
        sequence = int(sequences[index])
        if sequence != domain.expected:
            return 0
        stretch = self._stretch
        step = (set_length - 4) // group.width
        expected = _INDICES[: len(sequences) - index] * np.uint32(step) + np.uint32(sequence)
        as_expected = sequences[index:] == expected
        taken: int = len(as_expected) if as_expected.all() else int(as_expected.argmin())
        # The batch ends with the message that fills it.
        octets = length + MESSAGE_COST
        taken = min(taken, max(1, -((stretch.octets - self._pending_octets) // octets)))
        if step:
            taken = min(taken, max(1, -((stretch.rows - self._batch_rows) // step)))
        first = len(stretch.headers)
        starts = range(run.start + index * length, run.start + (index + taken) * length, length)
        offset = run.offset + index * length
        stretch.headers += [run.data[at : at + HEADER_KEPT] for at in starts]
        steps = array("q", (step,)) * taken
        stretch.domains += array("q", (domain.index,)) * taken
        stretch.records += steps
        stretch.offsets += range(offset, offset + taken * length, length)
        group.parts.append(run.joined(index, taken, start, start + step * group.width))
        group.set_numbers.extend(range(first * SETS, (first + taken) * SETS, SETS))
        group.counts += steps
        domain.expected = (sequence + taken * step) & _SEQUENCE
        self._recent.add_run(run.part(index, taken))
        stretch.rows += taken * step
        stretch.octets += taken * octets
        if stretch.rows >= self._batch_rows or stretch.octets >= self._pending_octets:
            self._seal()
        return taken

    def _data_only(self, datagram: Datagram) -> bool:
        """The middle way, for messages of several data sets, or of variable length, all of known templates.

        False, and nothing done, if the message is another or not sound.
        """
        payload = datagram.payload
        try:
            version = payload[1]
            if version == IPFIX:
                version, end, seconds, sequence, number, _, _ = _IPFIX(payload)
                domain, position = self._ipfix[number], IPFIX_HEADER
            else:
                version, _, _, seconds, sequence, number, _, _ = _NETFLOW9(payload)
                domain, position, end = self._netflow9[number], NETFLOW9_HEADER, len(payload)
        except (KeyError, IndexError, cut_short):
            return False
        if sequence != domain.expected or version not in (IPFIX, NETFLOW9) or end > len(payload):
            return False
        sets: list[tuple[Group, bytes, list[int] | None, int]] = []
        while end - position >= 4:
            set_id, length = _SET(payload, position)
            stop = position + length
            position += 4
            group = domain.groups.get(set_id)
            if length < 4 or stop > end:
                return False
            if group is not None:
                count = (length - 4) // group.width
                sets.append((group, payload[position : position + count * group.width], None, count))
            else:
                group = domain.varying.get(set_id)
                if group is None:
                    return False
                part = payload[position:stop]
                try:
                    starts = layout_of(group.template).record_starts(part)
                except Malformed:
                    return False
                sets.append((group, part, starts, len(starts)))
            position = stop
        stretch = self._stretch
        message = stretch.add_message(domain, payload, datagram.offset)
        total = 0
        for set_number, (group, part, record_starts, count) in enumerate(sets, message * SETS):
            group.parts.append(part)
            group.set_numbers.append(set_number)
            group.counts.append(count)
            if record_starts is not None:
                group.starts.extend(record_starts)
                stretch.octets += count * group.values * VALUE_COST
            stretch.octets += SET_COST
            total += count
        stretch.records[message] = total
        domain.expected = (sequence + (total if version == IPFIX else 1)) & _SEQUENCE
        self._recent.add(datagram.session, payload)
        stretch.rows += total
        stretch.octets += len(payload)
        if seconds != domain.clock_second and datagram.time_ms is not None:
            domain.add_clock(datagram.time_ms, seconds, self._limits.clock_samples)
        return True

    def _unusual(self, datagram: Datagram) -> None:
        """Every message that does not take the short way."""
        if self._stream is not None and not self._data_only(datagram):
            self._message_decoder.take(self._stream, datagram, self._file, self._stretch, self._recent)
        if self._stretch.rows >= self._batch_rows or self._stretch.octets >= self._pending_octets:
            self._seal()

    def batches(self) -> Iterator[pa.RecordBatch]:
        """The batches that are ready."""
        while self._sealed:
            batch = self._columns(self._sealed.popleft())
            if batch is not None:
                yield batch

    def finish(self) -> Iterator[pa.RecordBatch]:
        """The remaining batches. The report is complete after the last one."""
        self._message_decoder.read_held_elsewhere(self._stretch, self._file)
        self._seal()
        yield from self.batches()
        self._message_decoder.count_undecoded()
        close_report(self.report, self._roster.domains, self._limits, self._options)
        self._normaliser.finish()

    def cut(self, *, last: bool = False, in_order: bool = True) -> tuple[list[pa.RecordBatch], ExportReport]:
        """Ends a stretch of an export that goes on: its remaining batches and its report, whose counts begin anew.

        Data sets that wait for their template are handed over (unread) or go on waiting, and gaps of the last moments
        wait for late messages, unless this is the last stretch: then they are counted as undecoded and lost. in_order: see
        take_report().
        """
        self._message_decoder.hand_over()
        self._seal()
        batches = list(self.batches())
        self._normaliser.finish()
        if last:
            self._message_decoder.count_undecoded()
        taken = take_report(
            self.report, self._roster.domains, self._limits, self._options, last=last, in_order=in_order
        )
        self._roster.forget_reports()
        self._problems.forget()
        return batches, taken

    def teach(self, datagram: Datagram, *, options: bool = True) -> None:
        """Takes templates and options from a message that was, or will be, counted elsewhere, and nothing else of it.

        options: names and rates too, not the templates alone. Data sets that wait for a template are read.
        """
        if datagram.session is not self._session:
            self._enter_session(datagram.session)
        if self._stream is not None:
            self._message_decoder.teach(self._stream, datagram, self._file, self._stretch, options=options)

    @property
    def kept_octets(self) -> int:
        """Octets of the data sets that wait for their template, and of the memory that templates take."""
        return self._message_decoder.kept_octets

    def clock_offsets(self) -> dict[tuple[bytes, int], int]:
        """How far each exporter and domain seems to be behind the clock of the capture so far, in ms."""
        return {
            (domain.stream.exporter, domain.number): domain.clock_offset
            for domain in self._roster.domains.values()
            if domain.clock_offset is not None
        }

    @property
    def rows(self) -> int:
        """Flow records taken so far."""
        return self._rows + self._stretch.rows

    @property
    def groups(self) -> int:
        """Templates of each batch that had records so far: each costs a columnar step, however few records it has."""
        return self._groups + len(self._stretch.groups)

    @property
    def work(self) -> Work:
        """What has cost time beside octets so far."""
        return self._message_decoder.work(self.groups)

    @property
    def pending_octets(self) -> int:
        """Octets of memory that wait for the next batch to be full."""
        return self._stretch.octets

    def flush(self) -> None:
        """Makes a batch of what there is, for want of memory."""
        self._seal()

    def _seal(self) -> Stretch:
        """Ends the current batch: what comes next does not change how its records are read."""
        if self._stretch.headers:
            self._rows += self._stretch.rows
            self._groups += len(self._stretch.groups)
            self._stretch.seal()
            self._sealed.append(self._stretch)
            self._stretch = Stretch(self._stretch.number + 1, self._file)
        return self._stretch

    def _columns(self, stretch: Stretch) -> pa.RecordBatch | None:
        headers = stretch.read_headers()
        stretch.evaluate(headers, self._roster.domains, self.report, self._limits, self._gaps)
        batch = self._normaliser.batch(stretch, headers)
        self._roster.sweep(stretch.number)
        return batch

    def _enter_session(self, session: Session) -> None:
        stream = self._roster.stream(session)
        if stream is None:
            while self._roster.streams_full():
                self._message_decoder.make_room(self._stretch)
            stream = self._roster.add_stream(session)
        self._stream = stream
        self._session = session
        domains = stream.domains
        self._ipfix, self._netflow9, self._netflow5 = domains[IPFIX], domains[NETFLOW9], domains[NETFLOW5]

    def _enter_file(self, file: str) -> None:
        if file != self._file:
            self._stretch.begin_file(file)
        self._file = file
