"""Stores whose files have roll-ups, however small they are."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.ingest import ingest
from flowdiag.rollup import RollUps
from flowdiag.rollup.making import RollingSummary


class _OfAll(RollUps, frozen=True):
    """Makes roll-ups of the smallest files as well."""

    def begin(self, exporter: bytes) -> RollingSummary:
        return _EvenSmall(exporter)


class _EvenSmall(RollingSummary):
    def finish(self, report: ExportReport | None, *, even_small: bool = False) -> bytes | None:
        return super().finish(report, even_small=True)


OF_ALL: Final = _OfAll()


def rolled_up_store(export: Path, where: Path) -> Path:
    """A new store of an export."""
    ingest([export], where, roller=OF_ALL)
    return where
