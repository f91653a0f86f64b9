"""Stores whose files have roll-ups, however small they are."""

from __future__ import annotations

from pathlib import Path
from unittest.mock import patch

import pyarrow as pa

from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.finding import find_files
from flowdiag.collector.store.ingest import ingest
from flowdiag.collector.store.layout import rollup_path
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.reading import StoreReader
from flowdiag.flows import FLOW_SCHEMA
from flowdiag.rollup import making


def rolled_up_store(export: Path, where: Path) -> Path:
    """A new store of an export."""
    ingest([export], where)
    add_rollups(open_backend(where))
    return where


def add_rollups(backend: StorageBackend) -> None:
    """Writes a roll-up beside each file of flows of a store."""
    with patch.object(making, "LEAST_ROWS", 0):
        for file in find_files(backend):
            report = ExportReport()
            batches = list(StoreReader(backend, _raise).read([file], StoredFlows(report)))
            summary = making.RollingSummary(file.partition.exporter)
            summary.add(pa.Table.from_batches(batches, FLOW_SCHEMA))
            octets = summary.finish(report)
            assert octets is not None
            backend.write(rollup_path(file.target), octets)


def _raise(error: Exception) -> None:
    raise error
