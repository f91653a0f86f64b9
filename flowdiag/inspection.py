"""What is in an export, for an engineer: the logic behind `flowdiag inspect`.

Figures are as exported: both metering points and copies included, sampled counters not scaled. What scaling
makes of the octets stands beside them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.addresses import UNKNOWN_ADDRESS, to_text
from flowdiag.aggregator.address_numbers import words
from flowdiag.aggregator.conversation_keys import mixed
from flowdiag.aggregator.resolution import MOST_LOOKED_AT, cut_durations, estimate_resolution
from flowdiag.buffers import fill_null
from flowdiag.collector.export import open_export
from flowdiag.collector.readers.inputs import Progress
from flowdiag.collector.report import ExportReport, SessionReport, TemplateReport
from flowdiag.collector.store.asking import asked_again
from flowdiag.collector.untaught import ADVICE, untaught
from flowdiag.text.wording.inspect import interfaces_left_out

SCHEMA: Final = "flowdiag.inspect/1"

# Durations kept for the estimate of the active timeout: enough for any percentile, 8 MiB in memory.
MAX_DURATIONS: Final = 1 << 20
# Interfaces whose octets are counted, each way; large routers have some thousand.
MAX_INTERFACES: Final = 32_768
INTERFACES_LEFT_OUT: Final = interfaces_left_out(MAX_INTERFACES)
# What of each flow is looked at.
COLUMNS: Final = (
    "start", "end", "octets", "packets", "ingress_interface", "egress_interface", "domain", "sampling",
    "src_address", "dst_address", "src_port", "dst_port", "protocol",
)  # fmt: skip


class InterfaceTotals(Struct, frozen=True):
    """Octets by ingress (octets_in) and egress interface (octets_out), unscaled, as exported."""

    exporter: bytes
    index: int
    name: str
    description: str
    octets_in: int
    octets_out: int


class Inspection(Struct, frozen=True):
    """first_ms, last_ms: earliest start and latest end of a flow, ms since 1970 UTC, exporter's clock."""

    report: ExportReport
    first_ms: int | None
    last_ms: int | None
    resolution_s: int
    resolution_known: bool
    interfaces: tuple[InterfaceTotals, ...]

    @property
    def sessions(self) -> list[SessionReport]:
        """The report's sessions in a fixed order: exporter, port, domain, protocol."""
        return sorted(self.report.sessions, key=lambda s: (s.exporter, s.port, s.domain, s.protocol))

    @property
    def records(self) -> int:
        return sum(session.records for session in self.report.sessions)

    @property
    def octets(self) -> int:
        return sum(session.octets for session in self.report.sessions)

    @property
    def octets_scaled(self) -> int:
        return sum(session.octets_scaled for session in self.report.sessions)

    @property
    def packets(self) -> int:
        return sum(session.packets for session in self.report.sessions)

    @property
    def sampled(self) -> bool:
        return any(session.sampling != 1 for session in self.report.sessions)


@asked_again
def inspect_export(paths: Sequence[str | Path], progress: Progress | None = None) -> Inspection:
    """Reads a whole export and tells what is in it. Raises ExportError if it cannot be used."""
    export = open_export(paths, scale=False, progress=progress, columns=COLUMNS)
    span = _Span()
    durations, pieces = _Durations(), _Pieces()
    ingress: dict[tuple[bytes, int], int] = defaultdict(int)
    egress: dict[tuple[bytes, int], int] = defaultdict(int)
    for batch in export.batches():
        span.add(batch)
        durations.add(batch)
        pieces.add(batch)
        _add_octets(ingress, batch, "ingress_interface")
        _add_octets(egress, batch, "egress_interface")
    report = export.report
    without = untaught(report)
    if without is not None:
        report.notes.insert(0, f"{without}; {ADVICE}")
    announced = [s.active_timeout_s for s in report.sessions if s.active_timeout_s is not None]
    resolution_s, known = estimate_resolution(
        durations.values(), max(announced, default=None), pieces.durations, durations.packets()
    )
    if max(len(ingress), len(egress)) >= MAX_INTERFACES:
        report.notes.append(INTERFACES_LEFT_OUT)
    return Inspection(
        report, span.first_ms, span.last_ms, resolution_s, known, _interfaces(report, ingress, egress)
    )


class _Span:
    def __init__(self) -> None:
        self.first_ms: int | None = None
        self.last_ms: int | None = None

    def add(self, batch: pa.RecordBatch) -> None:
        starts = pc.coalesce(batch["start"], batch["end"]).cast(pa.int64())
        ends = pc.coalesce(batch["end"], batch["start"]).cast(pa.int64())
        first, last = pc.min(starts).as_py(), pc.max(ends).as_py()
        if first is not None and last is not None:
            self.first_ms = first if self.first_ms is None else min(self.first_ms, first)
            self.last_ms = last if self.last_ms is None else max(self.last_ms, last)


class _Durations:
    """Flow durations in ms, thinned evenly (every second, fourth, ... flow) to stay within a bound."""

    def __init__(self) -> None:
        self._parts: list[NDArray[np.float64]] = []  # of shape [2, flows]: durations, and packets as seen
        self._count = 0
        self._step = 1

    def add(self, batch: pa.RecordBatch) -> None:
        timed = batch.filter(pc.and_(pc.is_valid(batch["start"]), pc.is_valid(batch["end"])))
        lasted = fill_null(timed["end"].cast(pa.int64()), 0) - fill_null(timed["start"].cast(pa.int64()), 0)
        packets = fill_null(timed["packets"], 0) / np.maximum(fill_null(timed["sampling"], 1), 1)
        part = np.stack([lasted, packets]).astype(np.float64)[:, :: self._step]
        self._parts.append(part)
        self._count += part.shape[1]
        while self._count > MAX_DURATIONS:
            self._parts = [np.concatenate(self._parts, axis=1)[:, ::2]]
            self._count = self._parts[0].shape[1]
            self._step *= 2

    def values(self) -> NDArray[np.int64]:
        lasted: NDArray[np.int64] = self._columns()[0].astype(np.int64)
        return lasted

    def packets(self) -> NDArray[np.float64]:
        seen: NDArray[np.float64] = self._columns()[1]
        return seen

    def _columns(self) -> NDArray[np.float64]:
        return np.concatenate([np.empty((2, 0)), *self._parts], axis=1)


class _Pieces:
    """The first MOST_LOOKED_AT flows, by conversation, way and place: which of them were cut by the active timeout."""

    def __init__(self) -> None:
        self._keys: list[NDArray[np.uint64]] = []
        self._starts: list[NDArray[np.int64]] = []
        self._ends: list[NDArray[np.int64]] = []
        self._count = 0

    def add(self, batch: pa.RecordBatch) -> None:
        if self._count >= MOST_LOOKED_AT:
            return
        batch = batch.slice(0, MOST_LOOKED_AT - self._count)
        self._count += len(batch)
        timed = batch.filter(pc.and_(pc.is_valid(batch["start"]), pc.is_valid(batch["end"])))
        ends = [words(timed[name]).astype(np.int64).T for name in ("src_address", "dst_address")]
        rest = ("src_port", "dst_port", "protocol", "ingress_interface", "egress_interface")
        self._keys.append(mixed(*ends[0], *ends[1], *(fill_null(timed[name], 0) for name in rest)))
        self._starts.append(fill_null(timed["start"].cast(pa.int64()), 0))
        self._ends.append(fill_null(timed["end"].cast(pa.int64()), 0))

    def durations(self) -> NDArray[np.int64]:
        if not self._count:
            return np.zeros(0, np.int64)
        starts, ends = np.concatenate(self._starts), np.concatenate(self._ends)
        return cut_durations(np.concatenate(self._keys), starts, ends)


def _add_octets(totals: dict[tuple[bytes, int], int], batch: pa.RecordBatch, column: str) -> None:
    table = pa.table({"exporter": batch["exporter"], "index": batch[column], "octets": batch["octets"]})
    summed = table.group_by(["exporter", "index"]).aggregate([("octets", "sum")])
    for exporter, index, octets in zip(
        summed["exporter"].to_pylist(),
        summed["index"].to_pylist(),
        summed["octets_sum"].to_pylist(),
        strict=True,
    ):
        if index is not None and ((exporter, index) in totals or len(totals) < MAX_INTERFACES):
            totals[exporter, index] += octets or 0


def _interfaces(
    report: ExportReport, ingress: dict[tuple[bytes, int], int], egress: dict[tuple[bytes, int], int]
) -> tuple[InterfaceTotals, ...]:
    found = []
    for exporter, index in sorted({*ingress, *egress, *report.interfaces}):
        known = report.interfaces.get((exporter, index))
        found.append(
            InterfaceTotals(
                exporter,
                index,
                known.name if known else "",
                known.description if known else "",
                ingress.get((exporter, index), 0),
                egress.get((exporter, index), 0),
            )
        )
    return tuple(found)


def exporter_text(exporter: bytes) -> str | None:
    """An exporter's address, or None where the container does not tell it."""
    return None if exporter == UNKNOWN_ADDRESS else to_text(exporter)


def iso_time(time_ms: int | None) -> str | None:
    """ISO 8601 in UTC with milliseconds."""
    if time_ms is None:
        return None
    return datetime.fromtimestamp(time_ms / 1000, UTC).isoformat(timespec="milliseconds")


def as_json(inspection: Inspection) -> dict[str, Any]:
    """The inspection as the JSON object of schema flowdiag.inspect/1."""
    report = inspection.report
    content: dict[str, Any] = {
        "schema": SCHEMA,
        "records": inspection.records,
        "octets": inspection.octets,
        "packets": inspection.packets,
    }
    if inspection.sampled:
        content["octets_scaled"] = inspection.octets_scaled
    return content | {
        "first": iso_time(inspection.first_ms),
        "last": iso_time(inspection.last_ms),
        "resolution_s": inspection.resolution_s,
        "resolution_known": inspection.resolution_known,
        "lost_messages": report.lost_messages,
        "lost_records": report.lost_records,
        "undecoded_sets": report.undecoded_sets,
        "undecoded_records": report.undecoded_records,
        "impossible_times": report.impossible_times,
        "sessions": [_session_json(session) for session in inspection.sessions],
        "interfaces": [
            {
                "exporter": exporter_text(interface.exporter),
                "index": interface.index,
                "name": interface.name,
                "description": interface.description,
                "octets_in": interface.octets_in,
                "octets_out": interface.octets_out,
            }
            for interface in inspection.interfaces
        ],
        "losses": [
            {
                "exporter": exporter_text(loss.exporter),
                "domain": loss.domain,
                "time": iso_time(loss.time_ms),
                "messages": loss.messages,
                "records": loss.records,
                "restarted": loss.restarted,
            }
            for loss in report.losses
        ],
        "problems": [
            {"file": problem.file, "offset": problem.offset, "what": problem.what, "count": problem.count}
            for problem in report.problems
        ],
        "notes": list(report.notes),
    }


def _session_json(session: SessionReport) -> dict[str, Any]:
    content: dict[str, Any] = {
        "exporter": exporter_text(session.exporter),
        "port": session.port,
        "domain": session.domain,
        "protocol": session.protocol,
        "messages": session.messages,
        "records": session.records,
        "octets": session.octets,
        "packets": session.packets,
        "option_records": session.option_records,
        "lost_messages": session.lost_messages,
        "lost_records": session.lost_records,
        "lost_is_estimate": session.lost_is_estimate,
        "sequence_reading": session.sequence_reading,
        "duplicates": session.duplicates,
        "restarts": session.restarts,
        "undecoded_sets": session.undecoded_sets,
        "undecoded_records": session.undecoded_records,
        "sampling": _number(session.sampling),
        "sampling_note": session.sampling_note,
        "active_timeout_s": session.active_timeout_s,
        "idle_timeout_s": session.idle_timeout_s,
        "first_export": iso_time(session.first_export_ms),
        "last_export": iso_time(session.last_export_ms),
        "clock_offset_ms": session.clock_offset_ms,
        "templates": [_template_json(template) for _, template in sorted(session.templates.items())],
    }
    if session.sampling != 1:
        content["octets_scaled"] = session.octets_scaled
    return content


def _template_json(template: TemplateReport) -> dict[str, Any]:
    return {
        "id": template.id,
        "scope_fields": template.scope_fields,
        "fields": [
            {"id": field.id, "enterprise": field.enterprise, "name": field.name, "length": field.length}
            for field in template.fields
        ],
        "records": template.records,
        "redefined": template.redefined,
    }


def _number(value: float) -> int | float:
    """1, not 1.0, for a whole factor."""
    return int(value) if value == int(value) else value
