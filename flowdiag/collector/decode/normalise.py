"""Decoded columns become the flow table (flows.py): batches in order of export, and what they add up to.

Facts the design follows:
- data sets of one template are read in one step, so where several templates take turns, rows are put back into
  the order of their messages and sets;
- what one exporter says counts as it says it: both metering points are kept, no direction is guessed;
- behind a mediator, the original exporter and domain are what interfaces and names belong to (RFC 7119 5).
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from flowdiag.addresses import UNKNOWN_ADDRESS
from flowdiag.collector.decode import ie
from flowdiag.collector.decode.addresses import as_addresses, mapped
from flowdiag.collector.decode.columns import Columns
from flowdiag.collector.decode.counters import RunningTotals, scaled
from flowdiag.collector.decode.domain import SETS, Domain, Group
from flowdiag.collector.decode.flows import Flows, Mask, flow_rows, read_flows, subtract_earlier
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.naming import NamingRecord, Vocabulary, naming_records
from flowdiag.collector.decode.options import Names
from flowdiag.collector.decode.problems import Problems
from flowdiag.collector.decode.rows import Column, Rows, joined_rows, record_batch
from flowdiag.collector.decode.sampling import Factors, sampling_factors
from flowdiag.collector.decode.stretch import Headers, Stretch
from flowdiag.collector.decode.times import MessageTimes
from flowdiag.collector.report import ExportReport

_MAX_COUNT: Final = (1 << 64) - 1

EVENTS: Final = "records of events (address translation, firewall), which are no flows, were left out"
NO_FLOWS: Final = "records without addresses and counters, which are no flows, were left out"


class Normaliser:
    """Makes record batches of FLOW_SCHEMA and adds up in the report what they hold."""

    def __init__(
        self, report: ExportReport, limits: Limits, names: Names, problems: Problems, *, scale: bool
    ) -> None:
        self._report = report
        self._limits = limits
        self._names = names
        self._problems = problems
        self._scale = scale
        self._totals = RunningTotals(limits.running_totals)
        self._left_out = {EVENTS: 0, NO_FLOWS: 0}

    def batch(self, stretch: Stretch, headers: Headers) -> pa.RecordBatch | None:
        """All rows of a stretch in order of export; None if there are none."""
        vocabulary = Vocabulary(self._names, self._limits.names)
        parts: list[Rows] = []
        set_numbers: list[NDArray[np.int64]] = []
        naming: list[NamingRecord] = []
        for group in stretch.groups:
            rows = self._rows(group, stretch, headers, vocabulary, naming)
            if rows is not None and rows.length:
                parts.append(rows)
                of_records = _set_numbers_of_records(group)
                set_numbers.append(of_records if rows.records is None else of_records[rows.records])
        for record in sorted(naming):
            self._names.interface(
                record.exporter, record.interface, record.name, record.description, by_options=False
            )
        if not parts:
            return None
        if len(parts) == 1:
            return record_batch(parts[0], vocabulary.names, _begins(set_numbers[0]))
        whole = np.concatenate(set_numbers)
        order = np.argsort(whole, kind="stable")
        return record_batch(joined_rows(parts).taken(order), vocabulary.names, _begins(whole[order]))

    def finish(self) -> None:
        """Notes what was no flow, and counts anew."""
        self._report.notes += [f"{count} {what}" for what, count in self._left_out.items() if count]
        self._left_out = dict.fromkeys(self._left_out, 0)

    def _rows(
        self,
        group: Group,
        stretch: Stretch,
        headers: Headers,
        vocabulary: Vocabulary,
        naming: list[NamingRecord],
    ) -> Rows | None:
        domain, template = group.domain, group.template
        counts = np.frombuffer(group.counts, np.int64)
        starts = np.frombuffer(group.starts, np.int64) if template.varying else None
        columns = Columns(template, group.parts, counts, starts)
        if not columns.count:
            return None  # data sets of padding only
        template_report = domain.report.templates.get(template.id)
        if template_report is not None:
            template_report.records += columns.count
        if columns.has(ie.INTERFACE_NAME, ie.INTERFACE_DESCRIPTION):
            set_numbers = _set_numbers_of_records(group)
            naming += naming_records(columns, set_numbers, domain.stream.exporter, self._names)
        if not template.flow:
            self._left_out[NO_FLOWS] += columns.count
            return None
        messages = MessageTimes(*stretch.times_of(group, headers), counts, group.init_ms)
        flows = read_flows(columns, messages)
        self._note_faults(flows, group, counts, stretch)
        factors = sampling_factors(columns, *group.sampling)
        self._add_up(domain, flows, factors)
        common = self._common_columns(domain, columns, factors, vocabulary)
        return flow_rows(flows, common, factors if self._scale else 1.0)

    def _note_faults(self, flows: Flows, group: Group, counts: NDArray[np.int64], stretch: Stretch) -> None:
        for times in (flows.times, flows.reverse_times):
            for what, (count, first) in (times.faults if times else {}).items():
                part = int(np.searchsorted(np.cumsum(counts), first, side="right"))
                file, offset = stretch.locate(group.set_numbers[part] // SETS)
                self._problems.add(file, offset, f"flow records that {what} were kept out of usage", count)
                self._report.impossible_times += count

    def _add_up(self, domain: Domain, flows: Flows, factors: float | Factors) -> None:
        session = domain.report
        if flows.forward.running:
            subtract_earlier(flows, domain.index, self._totals)
        traffic = flows.traffic
        if traffic is not None:
            self._left_out[EVENTS] += flows.count - int(traffic.sum())
        session.records += flows.count if traffic is None else int(traffic.sum())
        for counters in (flows.forward, flows.reverse):
            if counters is not None:
                session.octets += _sum(counters.octets, traffic)
                session.packets += _sum(counters.packets, traffic)
                session.octets_scaled += _sum(scaled(counters.octets, factors), traffic)
        session.sampling = float(factors) if isinstance(factors, float) else float(factors[-1])

    def _common_columns(
        self, domain: Domain, columns: Columns, factors: float | Factors, vocabulary: Vocabulary
    ) -> dict[str, Column]:
        """What is the same for both directions: who exported, application, sampling."""
        count = columns.count
        exporter = domain.stream.exporter
        addresses: NDArray[np.uint64] = np.broadcast_to(np.frombuffer(exporter, np.uint64), (count, 2))
        named = (ie.ORIGINAL_EXPORTER_IPV4, ie.ORIGINAL_EXPORTER_IPV6)
        if not columns.has(*named) and exporter == UNKNOWN_ADDRESS:
            named = (ie.EXPORTER_IPV4, ie.EXPORTER_IPV6)
        words, octets = columns.words(named[0]), columns.octets(named[1], 16)
        if octets is not None:
            addresses = np.where(octets.any(axis=1, keepdims=True), as_addresses(octets), addresses)
        if words is not None:
            addresses = np.where(np.not_equal(words, 0)[:, np.newaxis], mapped(words), addresses)
        original = columns.integer(ie.ORIGINAL_DOMAIN)
        rounded = np.rint(factors).astype(np.uint32)
        common = {
            "exporter": Column(addresses),
            "domain": Column(
                np.broadcast_to(np.uint32(domain.number), count) if original is None else original
            ),
            "sampling": Column(np.broadcast_to(rounded, count)),
        }
        application = vocabulary.codes(columns, exporter)
        if application is not None:
            common["application"] = application
        end_reason = columns.integer(ie.FLOW_END_REASON)
        if end_reason is not None:
            common["end_reason"] = Column(end_reason)
        return common


def _set_numbers_of_records(group: Group) -> NDArray[np.int64]:
    """The number of each record's data set in the batch."""
    return np.repeat(np.frombuffer(group.set_numbers, np.int64), np.frombuffer(group.counts, np.int64))


def _begins(set_numbers: NDArray[np.int64]) -> NDArray[np.int32]:
    """The first row of each message, by the numbers of the rows' data sets."""
    sets = np.flatnonzero(set_numbers[1:] != set_numbers[:-1]) + 1
    messages = set_numbers[np.concatenate([[0], sets])] // SETS
    changed = np.flatnonzero(messages[1:] != messages[:-1])
    return np.concatenate([[0], sets[changed]]).astype(np.int32)


def _sum(counts: NDArray[np.uint64], mask: Mask | None) -> int:
    """The exact sum: hostile counters add up beyond 64 bits."""
    chosen = counts if mask is None else counts[mask]
    if not len(chosen) or int(chosen.max()) < _MAX_COUNT // len(chosen):
        return int(chosen.sum())
    low, high = chosen & np.uint64(0xFFFF_FFFF), chosen >> np.uint64(32)
    return int(low.sum()) + (int(high.sum()) << 32)
