"""What a Parquet file of flow records tells a pass besides its rows: who exported them and what was lost.

Facts the design follows:
- rows know their exporter, domain and sampling factor; protocol, losses, names and signs of life do not stand
  in rows, so the writer keeps those that belong to the file's rows in the schema metadata, as JSON;
- several files of one exporter and domain add up to one session of the report;
- metadata is input like any other: what does not fit is damage, said in one line.
"""

from __future__ import annotations

import json
from typing import Any, Final, get_args

import pyarrow as pa
import pyarrow.compute as pc

from flowdiag.collector.report import ExportReport, InterfaceReport, LossEvent, Protocol, SessionReport
from flowdiag.errors import ExportError

# Schema metadata of a Parquet file that holds the flow table; the value is the version of its columns.
TABLE_KEY: Final = b"flowdiag.flows"
TABLE_VERSION: Final = b"1"
# What the pass that decoded the file's rows learned, as JSON. Optional.
REPORT_KEY: Final = b"flowdiag.report"

# A day of one exporter tells a few kilobytes; the bound keeps a made-up file from filling memory.
MAX_REPORT_OCTETS: Final = 16 << 20

_PROTOCOLS: Final[tuple[Protocol, ...]] = get_args(Protocol)


def flow_metadata(report: ExportReport | None = None) -> dict[bytes, bytes]:
    """The schema metadata that marks a Parquet file as flowdiag's, with what report says about the file's
    rows.

    Losses and heard minutes are added up over files, so report must hold only those that belong to these
    rows.
    """
    metadata = {TABLE_KEY: TABLE_VERSION}
    if report is not None:
        metadata[REPORT_KEY] = json.dumps(_to_json(report), separators=(",", ":")).encode()
    return metadata


class StoredFlows:
    """Adds stored flow records to a report."""

    def __init__(self, report: ExportReport) -> None:
        self._report = report
        self._sessions: dict[tuple[bytes, int], SessionReport] = {}

    def add_metadata(self, metadata: dict[bytes, bytes] | None, name: str) -> None:
        """Take the report in a file's schema metadata, if it has one. Raises ExportError if it is damaged."""
        octets = (metadata or {}).get(REPORT_KEY)
        if octets is None:
            return
        try:
            if len(octets) > MAX_REPORT_OCTETS:
                raise ValueError("too long")
            self._add_json(json.loads(octets))
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError, OverflowError) as error:
            raise ExportError(
                "the metadata of the flow table is damaged",
                file=name,
                expected=f"the JSON that flowdiag writes as {REPORT_KEY.decode()}",
                advice="write the table again from the export",
            ) from error

    def add_rows(self, batch: pa.RecordBatch) -> None:
        """Count the rows of a batch of FLOW_SCHEMA, whose octets and packets are scaled for sampling."""
        batch_rows = pa.table(
            {
                "exporter": batch["exporter"],
                "domain": batch["domain"],
                "sampling": pc.fill_null(batch["sampling"], 1),
                "octets": batch["octets"],
                "packets": batch["packets"],
            }
        )
        totals = batch_rows.group_by(["exporter", "domain", "sampling"]).aggregate(
            [([], "count_all"), ("octets", "sum"), ("packets", "sum")]
        )
        for row in totals.to_pylist():
            session = self._session(row["exporter"] or bytes(16), row["domain"] or 0)
            sampling = row["sampling"] or 1
            session.records += row["count_all"]
            session.octets_scaled += row["octets_sum"] or 0
            session.octets += (row["octets_sum"] or 0) // sampling
            session.packets += (row["packets_sum"] or 0) // sampling
            session.sampling = max(session.sampling, float(sampling))

    def _session(self, exporter: bytes, domain: int, protocol: Protocol = "ipfix") -> SessionReport:
        session = self._sessions.get((exporter, domain))
        if session is None:
            session = self._sessions[exporter, domain] = SessionReport(exporter, 0, domain, protocol)
            self._report.sessions.append(session)
        return session

    def _add_json(self, content: dict[str, Any]) -> None:
        for item in content["sessions"]:
            if item["protocol"] not in _PROTOCOLS:
                raise ValueError("protocol")
            session = self._session(_address(item["exporter"]), int(item["domain"]), item["protocol"])
            session.messages += int(item["messages"])
            session.lost_messages += int(item["lost_messages"])
            session.lost_records += int(item["lost_records"])
            session.lost_is_estimate |= bool(item["lost_is_estimate"])
            session.undecoded_sets += int(item["undecoded_sets"])
            session.undecoded_records += int(item["undecoded_records"])
            if item["active_timeout_s"] is not None:
                session.active_timeout_s = int(item["active_timeout_s"])
            if item["clock_offset_ms"] is not None:
                session.clock_offset_ms = int(item["clock_offset_ms"])
        for item in content["interfaces"]:
            exporter, index = _address(item["exporter"]), int(item["index"])
            self._report.interfaces[exporter, index] = InterfaceReport(
                exporter, index, str(item["name"]), str(item["description"])
            )
        for item in content["losses"]:
            self._report.losses.append(
                LossEvent(
                    _address(item["exporter"]),
                    int(item["domain"]),
                    int(item["time_ms"]),
                    int(item["messages"]),
                    int(item["records"]),
                )
            )
        for exporter, minutes in content["heard_minutes"].items():
            heard = self._report.heard_minutes.setdefault(_address(exporter), set())
            heard.update(int(minute) for minute in minutes)


def unscaled(batch: pa.RecordBatch) -> pa.RecordBatch:
    """A batch of FLOW_SCHEMA with octets and packets as exported: divided by the sampling factor."""
    factor = pc.max_element_wise(batch["sampling"], pa.scalar(1, pa.uint32())).cast(pa.uint64())
    for name in ("octets", "packets"):
        place = batch.schema.get_field_index(name)
        batch = batch.set_column(place, batch.schema.field(place), pc.divide(batch[name], factor))
    return batch


def _address(text: str) -> bytes:
    address = bytes.fromhex(text)
    if len(address) != 16:
        raise ValueError("address")
    return address


def _to_json(report: ExportReport) -> dict[str, Any]:
    return {
        "sessions": [
            {
                "exporter": session.exporter.hex(),
                "domain": session.domain,
                "protocol": session.protocol,
                "messages": session.messages,
                "lost_messages": session.lost_messages,
                "lost_records": session.lost_records,
                "lost_is_estimate": session.lost_is_estimate,
                "undecoded_sets": session.undecoded_sets,
                "undecoded_records": session.undecoded_records,
                "active_timeout_s": session.active_timeout_s,
                "clock_offset_ms": session.clock_offset_ms,
            }
            for session in report.sessions
        ],
        "interfaces": [
            {
                "exporter": interface.exporter.hex(),
                "index": interface.index,
                "name": interface.name,
                "description": interface.description,
            }
            for _, interface in sorted(report.interfaces.items())
        ],
        "losses": [
            {
                "exporter": loss.exporter.hex(),
                "domain": loss.domain,
                "time_ms": loss.time_ms,
                "messages": loss.messages,
                "records": loss.records,
            }
            for loss in report.losses
        ],
        "heard_minutes": {
            exporter.hex(): sorted(minutes) for exporter, minutes in sorted(report.heard_minutes.items())
        },
    }
