"""A maker of roll-ups that are easily worked out again: what a store does with them does not depend on what is in them."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from msgspec import Struct

from flowdiag.collector.export import read_export
from flowdiag.collector.readers.stored_flows import REPORT_KEY, report_metadata
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.beside import TRAILER_OCTETS, NotItsRollUp, open_rollup
from flowdiag.collector.store.finding import find_files
from flowdiag.collector.store.layout import rollup_path
from flowdiag.collector.store.opening import open_backend

TOLD = ("end", "octets", "packets", "src_port")


class Sums(Struct, frozen=True):
    """Makes roll-ups of files of at least so many rows. fails: in this step, "begin", "add" or "finish"."""

    least: int = 1
    fails: str = ""

    def begin(self, exporter: bytes) -> _Sum:
        self.fail("begin")
        return _Sum(self, exporter)

    def is_sound(self, octets: bytes) -> bool:
        return octets[:32] == hashlib.sha256(octets[32:]).digest()

    def fail(self, step: str) -> None:
        if self.fails == step:
            raise ValueError(f"no sums today\nin {step}")


class _Sum:
    def __init__(self, maker: Sums, exporter: bytes) -> None:
        self._maker = maker
        self._exporter = exporter
        self._rows = 0
        self._digest = hashlib.sha256()

    def add(self, flows: pa.Table) -> None:
        self._maker.fail("add")
        self._rows += flows.num_rows
        for row in zip(*(flows[name].to_pylist() for name in TOLD), strict=True):
            self._digest.update(repr(row).encode())

    def finish(self, report: ExportReport | None, *, even_small: bool = False) -> bytes | None:
        self._maker.fail("finish")
        if self._rows < (0 if even_small else self._maker.least):
            return None
        learned = None if report is None else report_metadata(report)[REPORT_KEY].decode()
        content = [self._exporter.hex(), self._rows, self._digest.hexdigest(), learned]
        octets = json.dumps(content).encode()
        return hashlib.sha256(octets).digest() + octets


def told_by(octets: bytes) -> tuple[Any, ...]:
    """Exporter, rows, digest of them, report."""
    assert Sums().is_sound(octets[:-TRAILER_OCTETS])
    return tuple(json.loads(octets[32:-TRAILER_OCTETS]))


def worked_out(exporter: bytes, file: Path) -> tuple[Any, ...]:
    """The same of a file of flows, read by itself."""
    summed = _Sum(Sums(), exporter)
    summed.add(read_export(file))
    octets = summed.finish(None, even_small=True) or b""
    learned = pq.read_metadata(file).metadata.get(REPORT_KEY)
    return (*json.loads(octets[32:])[:3], None if learned is None else learned.decode())


def with_rollups(store: Path) -> dict[str, bool]:
    """Whether each file of flows of a store, by its path, has a roll-up, which is then its own and whole; none has another's."""
    backend = open_backend(store)
    found = {}
    for file in find_files(backend):
        found[file.target] = False
        try:
            with open_rollup(backend, file) as rollup:
                octets = rollup.read()
        except FileNotFoundError:
            continue
        assert told_by(octets) == worked_out(file.partition.exporter, store / file.path)
        found[file.target] = True
    return found


def is_its_own(store: Path, target: str) -> bool:
    """Whether the roll-up in the place of a file's is that file's."""
    (file,) = (file for file in find_files(open_backend(store)) if file.target == target)
    try:
        with open_rollup(open_backend(store), file):
            return True
    except NotItsRollUp:
        return False


def rollups_in(store: Path) -> dict[str, bytes]:
    """The roll-ups that stand in a store folder, by their paths."""
    return {path.relative_to(store).as_posix(): path.read_bytes() for path in sorted(store.rglob("*.rollup"))}


def damage(store: Path, target: str) -> None:
    """Turns an octet in the middle of a file's roll-up around."""
    path = store / rollup_path(target)
    octets = bytearray(path.read_bytes())
    octets[50] ^= 0xFF
    path.write_bytes(octets)
