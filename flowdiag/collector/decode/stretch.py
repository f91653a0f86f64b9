"""A stretch of an export: the messages of one batch, and what waits of their data sets.

Facts the design follows:
- what is needed of each message later is the front of its octets, so these are kept and read as columns in one
  step: export time, uptime, sequence number;
- the sequence numbers of a stretch are evaluated before those of the next, the stretch as a whole.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Mapping
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from flowdiag.collector.decode.allowance import Allowance
from flowdiag.collector.decode.domain import SETS, Domain, Group, HeldSet
from flowdiag.collector.decode.limits import GROUP_COST, MESSAGE_COST, SET_COST, VALUE_COST, Limits
from flowdiag.collector.decode.messages import HEADER_KEPT, IPFIX, NETFLOW5, NETFLOW9
from flowdiag.collector.decode.sequence import Messages, Sequences, selected
from flowdiag.collector.decode.templates import Template
from flowdiag.collector.report import ExportReport
from flowdiag.durations import MINUTE_MS

# Stands for the domain of a message that was evaluated in an earlier stretch.
_EARLIER: Final = -1


class Headers(NamedTuple):
    """The headers of a stretch's messages as columns. uptime_ms: meaningless for IPFIX."""

    sequence: NDArray[np.uint32]
    export_ms: NDArray[np.int64]
    uptime_ms: NDArray[np.uint32]
    boot_ms: NDArray[np.int64]


class Stretch:
    """The messages of one batch, by index in order of arrival, and their data sets."""

    def __init__(self, number: int, file: str) -> None:
        self.number = number
        self.headers: list[bytes] = []  # the front of each message, HEADER_KEPT octets
        self.domains = array("q")  # index of each message's domain
        self.records = array("q")  # data records in each message, options included
        self.offsets: list[int] = []  # of each message in its file
        # Options records, and octets of data sets without template, of the messages that have some.
        self.options: dict[int, int] = {}
        self.unknown: dict[int, int] = {}
        self.groups: list[Group] = []  # the data sets
        self.rows = 0  # flow records in them
        self.octets = 0  # of memory that they take, about
        self._files: list[tuple[int, str]] = [(0, file)]

    def begin_file(self, file: str) -> None:
        self._files.append((len(self.headers), file))

    def locate(self, message: int) -> tuple[str, int]:
        """File and offset of a message."""
        index = bisect_right(self._files, message, key=lambda begin: begin[0]) - 1
        return self._files[index][1], self.offsets[message]

    def add_message(self, domain: Domain, payload: bytes, offset: int) -> int:
        self.headers.append(payload[:HEADER_KEPT].ljust(HEADER_KEPT, b"\0"))
        self.domains.append(domain.index)
        self.records.append(0)
        self.offsets.append(offset)
        self.octets += MESSAGE_COST
        return len(self.headers) - 1

    def add_data(
        self,
        domain: Domain,
        template: Template,
        part: bytes,
        starts: list[int] | None,
        count: int,
        set_number: int,
    ) -> None:
        """Adds a data set. set_number: message * SETS + number of the set in its message."""
        groups = domain.varying if template.varying else domain.groups
        group = groups.get(template.id)
        if group is None or group.template is not template:
            group = groups[template.id] = Group(domain, template)
            self.groups.append(group)
            self.octets += GROUP_COST
        group.parts.append(part)
        group.set_numbers.append(set_number)
        group.counts.append(count)
        if starts is not None:
            group.starts.extend(starts)
            self.octets += count * group.values * VALUE_COST
        self.rows += count
        self.octets += len(part) + SET_COST

    def bring_back(self, domain: Domain, held: HeldSet, count: int) -> int:
        """Counts the records of a held set that can be read now. Gives the index of its message, which is added here if it
        came in an earlier stretch.
        """
        if held.stretch == self.number:
            self.records[held.message] += count
            self.unknown[held.message] -= len(held.octets)
            return held.message
        self.headers.append(held.header)
        self.domains.append(_EARLIER)
        self.records.append(0)
        self.offsets.append(held.offset)
        self.octets += MESSAGE_COST
        domain.late_records += count
        return len(self.headers) - 1

    def seal(self) -> None:
        """Ends the stretch: what is known of the domains now counts for the data sets here."""
        for group in self.groups:
            group.seal()
            group.domain.groups.clear()
            group.domain.varying.clear()

    def read_headers(self) -> Headers:
        octets = np.frombuffer(b"".join(self.headers), np.uint8).reshape(-1, HEADER_KEPT)
        version = octets[:, 1]
        words = octets.view(">u4").astype(np.uint32)
        ipfix, v5 = version == IPFIX, version == NETFLOW5
        export_ms = np.where(ipfix, words[:, 1], words[:, 2]).astype(np.int64) * 1000
        if v5.any():
            nanoseconds = np.minimum(words[:, 3], 999_999_999).astype(np.int64)
            export_ms += np.where(v5, nanoseconds // 1_000_000, 0)
        sequence = np.where(ipfix, words[:, 2], np.where(v5, words[:, 4], words[:, 3]))
        uptime_ms = words[:, 1].copy()
        boot_ms = np.where(ipfix, 0, export_ms - uptime_ms.astype(np.int64))
        return Headers(sequence, export_ms, uptime_ms, boot_ms)

    def evaluate(
        self,
        headers: Headers,
        domains: Mapping[int, Domain],
        report: ExportReport,
        limits: Limits,
        gaps: Allowance,
    ) -> None:
        """Brings messages, records, times and sequence numbers of this stretch into the report.

        gaps: those that are kept of all sequences.
        """
        room = limits.heard_minutes - sum(map(len, report.heard_minutes.values()))
        index = np.frombuffer(self.domains, np.int64)
        present = np.unique(index[index != _EARLIER]).tolist()
        by_sequence: dict[tuple[int, int], list[int]] = {}
        for number in present:
            domain = domains[number]
            own = index == number if len(present) > 1 or index.min() < 0 else slice(None)
            export_ms = headers.export_ms[own]
            session = domain.report
            session.messages += len(export_ms)
            first, last = int(export_ms.min()), int(export_ms.max())
            if session.first_export_ms is None or session.last_export_ms is None:
                session.first_export_ms, session.last_export_ms = first, last
            session.first_export_ms = min(session.first_export_ms, first)
            session.last_export_ms = max(session.last_export_ms, last)
            heard = report.heard_minutes.setdefault(domain.stream.exporter, set())
            fresh = [minute for minute in np.unique(export_ms // MINUTE_MS).tolist() if minute not in heard]
            heard.update(fresh[: max(room, 0)])
            room -= len(fresh)
            by_sequence.setdefault((id(domain.stream), domain.version), []).append(number)
        columns = Messages(
            index,
            headers.sequence,
            np.frombuffer(self.records, np.int64),
            _sparse(self.options, len(index)),
            _sparse(self.unknown, len(index)),
            headers.export_ms,
            headers.boot_ms,
        )
        for numbers in by_sequence.values():
            chosen = columns
            if len(by_sequence) > 1 or index.min() < 0:
                chosen = selected(columns, np.isin(index, numbers))
            domain = domains[numbers[0]]
            sequences = domain.stream.sequences.get(domain.version)
            if sequences is None:
                sequences = domain.stream.sequences[domain.version] = Sequences(domain.version, limits, gaps)
            sequences.add(chosen)

    def times_of(self, group: Group, headers: Headers) -> tuple[NDArray[np.int64], NDArray[np.uint32] | None]:
        """Export time and (v5, v9) uptime of each data set of a group."""
        messages = np.frombuffer(group.set_numbers, np.int64) // SETS
        has_uptime = group.domain.version in (NETFLOW9, NETFLOW5)
        return headers.export_ms[messages], headers.uptime_ms[messages] if has_uptime else None


def _sparse(values: dict[int, int], count: int) -> NDArray[np.int64]:
    column = np.zeros(count, np.int64)
    if values:
        column[list(values)] = list(values.values())
    return column
