"""Flow records, reports and contents of known figures, for the tests of the store."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

import pyarrow as pa

from flowdiag.addresses import V4_PREFIX
from flowdiag.collector.export import read_export
from flowdiag.collector.report import ExportReport, LossEvent, SessionReport
from flowdiag.collector.store.adding import Content, add_written, is_added
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.rolling import Roller
from flowdiag.collector.store.sharing import clock_offsets, share
from flowdiag.collector.store.writer import FlowWriter
from flowdiag.flows import FLOW_SCHEMA

A: Final = V4_PREFIX + bytes([192, 0, 2, 1])
B: Final = V4_PREFIX + bytes([192, 0, 2, 2])
DAY: Final = 86_400_000
# 2026-03-02T00:00:00Z
START: Final = 1_772_409_600_000
FIRST_DAY: Final = START // DAY
_ROW: Final[dict[str, Any]] = {
    "src_address": V4_PREFIX + bytes([192, 168, 40, 20]),
    "dst_address": V4_PREFIX + bytes([203, 0, 113, 9]),
    "src_port": 40_000,
    "dst_port": 443,
    "protocol": 6,
    "packets": 1,
    "ingress_interface": 1,
    "egress_interface": 2,
    "domain": 1,
    "sampling": 1,
}


def flow(
    octets: int, end_ms: int | None = START + 60_000, exporter: bytes = A, **more: Any
) -> dict[str, Any]:
    """A flow that took a minute."""
    start_ms = None if end_ms is None else end_ms - 60_000
    return _ROW | {"octets": octets, "start": start_ms, "end": end_ms, "exporter": exporter} | more


def batch(*flows: dict[str, Any]) -> pa.RecordBatch:
    empty: dict[str, Any] = dict.fromkeys(FLOW_SCHEMA.names)
    return pa.RecordBatch.from_pylist([empty | row for row in flows], FLOW_SCHEMA)


def content(name: str) -> Content:
    return Content(hashlib.sha256(name.encode()).hexdigest(), name, len(name))


def report(messages: int, lost: int = 0, exporter: bytes = A, day: int = FIRST_DAY) -> ExportReport:
    """Of an exporter that was heard in the first minute of a day."""
    losses = [LossEvent(exporter, 1, day * DAY, 0, lost)] if lost else []
    session = SessionReport(exporter, 2055, 1, "ipfix", messages=messages, lost_records=lost)
    return ExportReport([session], losses=losses, heard_minutes={exporter: {day * DAY // 60_000}})


def add_stretch(
    backend: StorageBackend,
    content: Content,
    batches: Iterable[pa.RecordBatch],
    report: ExportReport,
    began_ms: int | None = None,
    roller: Roller | None = None,
) -> bool:
    """Adds a stretch of a live export to a store: what Decoder.cut() gave for the messages of `content`.

    began_ms: capture time of its first message, which orders the files. False, and nothing changed, if that content is
    in the store already. Raises StoreError, and nothing changed: try again later.
    """
    if is_added(backend, content.digest):
        return False
    offsets = clock_offsets(report)
    writer = FlowWriter(backend, content.digest, began_ms, lambda: offsets, roller=roller)
    try:
        for batch in batches:
            writer.add(batch)
        files = writer.finish(share(report, writer.partitions))
    except BaseException:
        writer.discard()
        raise
    return add_written(backend, [content], files)


def octets_in(store: Path | str) -> list[int]:
    """The octets of all flows of a store, in order of reading."""
    octets: list[int] = read_export(store)["octets"].to_pylist()
    return octets


def files_in(store: Path) -> list[str]:
    """The flow files of a store folder, by their paths in it."""
    return sorted(path.relative_to(store).as_posix() for path in store.glob("exporter=*/*/*"))


# A store of many files: three days of four files each, of one flow each, whose octets are their numbers.
DAYS: Final = 3
STRETCHES: Final = 4
ALL: Final = list(range(1, DAYS * STRETCHES + 1))


def in_many_files(store: Path, roller: Roller | None = None) -> StorageBackend:
    backend = open_backend(store)
    make_store(backend)
    for number in ALL:
        end_ms = START + (number - 1) // STRETCHES * DAY + number * 60_000
        stretch = content(str(number)), [batch(flow(number, end_ms))], report(1), end_ms
        assert add_stretch(backend, *stretch, roller=roller)
    return backend
