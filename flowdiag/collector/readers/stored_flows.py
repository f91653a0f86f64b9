"""What a Parquet file of flow records holds besides its rows: who exported them and what was lost.

Facts the design follows:
- rows know their exporter, domain and sampling factor; protocol, losses, names and signs of life do not stand
  in rows, so the writer keeps those that belong to the file's rows in the schema metadata, as JSON;
- in a store, the exporter stands in the name of a folder and not in the rows; a file of one exporter names it in
  its metadata too, so that it can be read away from its folder;
- several files of one exporter and domain add up to one session of the report;
- metadata is input like any other: what does not fit is damage, said in one line.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator
from typing import Any, Final, get_args

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from flowdiag.buffers import address_column, fill_null, scalar
from flowdiag.collector.decode.limits import MAX_DOMAINS
from flowdiag.collector.report import ExportReport, InterfaceReport, LossEvent, Protocol, SessionReport
from flowdiag.errors import ExportError

# Schema metadata of a Parquet file that holds the flow table; the value is the version of its columns.
TABLE_KEY: Final = b"flowdiag.flows"
TABLE_VERSION: Final = b"1"
# What the pass that decoded the file's rows learned, as JSON. Optional.
REPORT_KEY: Final = b"flowdiag.report"
# The exporter of all rows, 32 hexadecimal digits, of a table without that column.
EXPORTER_KEY: Final = b"flowdiag.exporter"

# A day of one exporter takes a few kilobytes; the bound keeps a made-up file from filling memory.
MAX_REPORT_OCTETS: Final = 16 << 20
# Kinds of problem and notes of one file, and of all files together.
MAX_FILE_PROBLEMS: Final = 50
MAX_PROBLEMS: Final = 1000
# Exporters and observation domains of all files, and with sampling factors those of one batch: the decoder that made the
# rows keeps no more, and each is a step of Python.
MAX_SESSIONS: Final = MAX_DOMAINS
MAX_ALIKE: Final = 2 * MAX_DOMAINS

_PROTOCOLS: Final[tuple[Protocol, ...]] = get_args(Protocol)
# What adds up over the files of a session.
_COUNTS: Final = (
    "messages", "option_records", "lost_messages", "lost_records", "duplicates", "restarts", "undecoded_sets",
    "undecoded_records",
)  # fmt: skip
_SPANS: Final = ("first_export_ms", "last_export_ms")
_LATEST_NUMBERS: Final = ("active_timeout_s", "idle_timeout_s")  # the last file that has one is right
_LATEST_TEXTS: Final = ("sequence_reading", "sampling_note")
_LARGEST: Final = 1 << 62
_COUNTED_NOTE: Final = re.compile(r"(\d{1,18}) (.*)", re.DOTALL)


def flow_metadata(report: ExportReport | None = None) -> dict[bytes, bytes]:
    """The schema metadata that marks a Parquet file as flowdiag's, with what report says about the file's
    rows.

    Losses and heard minutes are added up over files, so report must hold only those that belong to these
    rows.
    """
    return {TABLE_KEY: TABLE_VERSION} | ({} if report is None else report_metadata(report))


def report_metadata(report: ExportReport) -> dict[bytes, bytes]:
    """The part of the schema metadata that is known only when all rows are."""
    return {REPORT_KEY: json.dumps(_to_json(report), separators=(",", ":")).encode()}


class StoredFlows:
    """Adds stored flow records to a report, which may have some already."""

    def __init__(self, report: ExportReport) -> None:
        self._report = report
        self._sessions = {(session.exporter, session.domain): session for session in report.sessions}
        self._clock_messages: dict[tuple[bytes, int], int] = {}
        self._notes: dict[str, int | None] = {}

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

    def add_impossible_times(self, rows: int) -> None:
        """Count rows of a table whose times were left out."""
        self._report.impossible_times += rows

    def add_rows(self, batch: pa.RecordBatch) -> None:
        """Count the rows of a batch of FLOW_SCHEMA, whose octets and packets are scaled for sampling.

        Raises ExportError where they are of more exporters and domains than any export has.
        """
        exporters = batch["exporter"].dictionary_encode()
        of_exporter = fill_null(exporters.indices, len(exporters.dictionary))
        sampling = np.maximum(fill_null(batch["sampling"], 1), 1)
        octets, packets = fill_null(batch["octets"], 0), fill_null(batch["packets"], 0)
        addresses = [*exporters.dictionary.to_pylist(), bytes(16)]
        domains = fill_null(batch["domain"], 0)
        for rows in _alike(of_exporter, domains, sampling):
            factor = int(sampling[rows[0]])
            session = self._session(addresses[of_exporter[rows[0]]], int(domains[rows[0]]))
            scaled = int(octets[rows].sum())
            session.records += len(rows)
            session.octets_scaled += scaled
            session.octets += scaled // factor
            session.packets += int(packets[rows].sum()) // factor
            session.sampling = max(session.sampling, float(factor))

    def _session(
        self, exporter: bytes, domain: int, protocol: Protocol = "ipfix", port: int = 0
    ) -> SessionReport:
        session = self._sessions.get((exporter, domain))
        if session is None:
            if len(self._sessions) >= MAX_SESSIONS:
                raise _too_many()
            session = self._sessions[exporter, domain] = SessionReport(exporter, port, domain, protocol)
            self._report.sessions.append(session)
        return session

    def _add_json(self, content: dict[str, Any]) -> None:
        for item in content["sessions"]:
            self._add_session(item)
        for item in content["interfaces"]:
            exporter, index = _address(item["exporter"]), _whole(item["index"])
            self._report.interfaces[exporter, index] = InterfaceReport(
                exporter, index, str(item["name"]), str(item["description"])
            )
        for item in content["losses"]:
            self._report.losses.append(
                LossEvent(
                    _address(item["exporter"]),
                    _whole(item["domain"]),
                    _whole(item["time_ms"]),
                    _whole(item["messages"]),
                    _whole(item["records"]),
                    None if item.get("since_ms") is None else _whole(item["since_ms"]),
                    bool(item.get("restarted")),
                )
            )
        for exporter, minutes in content["heard_minutes"].items():
            heard = self._report.heard_minutes.setdefault(_address(exporter), set())
            heard |= _wholes(minutes)
        self._report.impossible_times += _whole(content["impossible_times"])
        for item in content["problems"]:
            if len(self._report.problems) < MAX_PROBLEMS:
                offset = None if item["offset"] is None else _whole(item["offset"])
                self._report.problem(str(item["file"]), offset, str(item["what"]), _whole(item["count"]))
        for note in content["notes"]:
            self._add_note(str(note))

    def _add_session(self, item: dict[str, Any]) -> None:
        if item["protocol"] not in _PROTOCOLS:
            raise ValueError("protocol")
        source = _address(item["exporter"]), _whole(item["domain"])
        session = self._session(*source, item["protocol"], _whole(item["port"]))
        if session.port != _whole(item["port"]):  # several: none of them names it
            session.port = 0
        for name in _COUNTS:
            setattr(session, name, getattr(session, name) + _whole(item[name]))
        for name, nearer in zip(_SPANS, (min, max), strict=True):
            known, value = getattr(session, name), item[name]
            if value is not None:
                setattr(session, name, _whole(value) if known is None else nearer(known, _whole(value)))
        for name in _LATEST_NUMBERS:
            if item[name] is not None:
                setattr(session, name, _whole(item[name]))
        for name in _LATEST_TEXTS:
            if item[name]:
                setattr(session, name, str(item[name]))
        session.lost_is_estimate |= bool(item["lost_is_estimate"])
        messages = _whole(item["messages"])
        if item["clock_offset_ms"] is not None and messages > self._clock_messages.get(source, -1):
            self._clock_messages[source] = messages  # the file with most messages
            session.clock_offset_ms = _whole(item["clock_offset_ms"])

    def _add_note(self, note: str) -> None:
        """A note of a file. Those that count the same thing become one, with the sum."""
        match = _COUNTED_NOTE.fullmatch(note)
        what, count = (match[2], int(match[1])) if match else (note, None)
        if what not in self._notes and len(self._notes) >= MAX_PROBLEMS:
            return
        known = self._notes.get(what)
        total = count if known is None or count is None else known + count
        if what in self._notes:
            self._report.notes.remove(_note(what, known))
        self._notes[what] = total
        self._report.notes.append(_note(what, total))


def _alike(*columns: NDArray[Any]) -> Iterator[NDArray[np.intp]]:
    """The rows that are equal in all columns, in order of their first ones."""
    rows = np.arange(len(columns[0]))
    if all((column == column[:1]).all() for column in columns):
        yield from [rows] if len(rows) else []
        return
    order = np.lexsort((rows, *columns))
    begins = np.any([column[order][1:] != column[order][:-1] for column in columns], axis=0)
    if np.count_nonzero(begins) >= MAX_ALIKE:
        raise _too_many()
    yield from sorted(np.split(order, np.flatnonzero(begins) + 1), key=lambda alike: int(alike[0]))


def _too_many() -> ExportError:
    return ExportError(
        "a flow table of too many exporters and observation domains",
        expected=f"at most {MAX_SESSIONS:,}",
        advice="give the export that the table was made from",
    )


def _note(what: str, count: int | None) -> str:
    return what if count is None else f"{count} {what}"


def exporter_column(metadata: dict[bytes, bytes] | None, rows: int) -> pa.Array | None:
    """The column of a table of one exporter that its metadata names; None if it names none that is sound."""
    try:
        exporter = _address((metadata or {})[EXPORTER_KEY].decode())
    except (KeyError, ValueError):
        return None
    return pa.repeat(address_column([exporter])[0], rows)


def unscaled(batch: pa.RecordBatch) -> pa.RecordBatch:
    """A batch of FLOW_SCHEMA with octets and packets as exported: divided by the sampling factor."""
    import pyarrow.compute as pc  # a tenth of a second, which other readers need not wait for

    factor = pc.max_element_wise(batch["sampling"], scalar(1, pa.uint32())).cast(pa.uint64())
    for name in ("octets", "packets"):
        index = batch.schema.get_field_index(name)
        batch = batch.set_column(index, batch.schema.field(index), pc.divide(batch[name], factor))
    return batch


def _whole(value: Any) -> int:
    number = int(value)
    if not -_LARGEST < number < _LARGEST:
        raise ValueError("number")
    return number


def _wholes(values: Iterable[Any]) -> set[int]:
    numbers = set(map(int, values))
    if numbers and not -_LARGEST < min(numbers) <= max(numbers) < _LARGEST:
        raise ValueError("numbers")
    return numbers


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
                "port": session.port,
                "protocol": session.protocol,
                "lost_is_estimate": session.lost_is_estimate,
                "clock_offset_ms": session.clock_offset_ms,
            }
            | {name: getattr(session, name) for name in (*_COUNTS, *_SPANS, *_LATEST_NUMBERS, *_LATEST_TEXTS)}
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
                "since_ms": loss.since_ms,
                "restarted": loss.restarted,
            }
            for loss in report.losses
        ],
        "heard_minutes": {
            exporter.hex(): sorted(minutes) for exporter, minutes in sorted(report.heard_minutes.items())
        },
        "impossible_times": report.impossible_times,
        "problems": [
            {"file": problem.file, "offset": problem.offset, "what": problem.what, "count": problem.count}
            for problem in report.problems[:MAX_FILE_PROBLEMS]
        ],
        "notes": report.notes[:MAX_FILE_PROBLEMS],
    }
