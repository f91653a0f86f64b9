"""A roll-up beside its file of flows: made with it, and never taken for that of another file.

Facts the design follows:
- files of a store can be renamed, restored or replaced by hand, and a path alone would then give one file's sums for
  another's flows. So a roll-up ends with what its file of flows is known by: its length and a digest of its end, where
  Parquet keeps sizes, extremes and metadata of all columns;
- a roll-up is derived: whatever goes wrong with it, the flows are as good without. It is left out, and said.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, Final

import pyarrow as pa

from flowdiag.collector.readers.parquet import BATCH_ROWS, flow_batch
from flowdiag.collector.readers.stored_flows import REPORT_KEY, StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.finding import StoredFile, open_stored
from flowdiag.collector.store.layout import NO_DAY, Partition, rollup_path
from flowdiag.collector.store.looking import opened
from flowdiag.collector.store.rolling import Roller, Summary

_MARK: Final = b"of-flows"
# The index of a day of a large site; that of a small one is whole in it.
END_OCTETS: Final = 64 << 10
_LENGTH_OCTETS: Final = 8
_DIGEST_OCTETS: Final = 16
IDENTITY_OCTETS: Final = _LENGTH_OCTETS + _DIGEST_OCTETS
TRAILER_OCTETS: Final = len(_MARK) + IDENTITY_OCTETS


class NotItsRollUp(ValueError):
    """What stands in the place of a file's roll-up was not made of that file."""


class Making:
    """The roll-up of a file that is being written. fault: why there will be none, in words; empty if nothing went wrong."""

    def __init__(self, roller: Roller | None, partition: Partition) -> None:
        self.fault = ""
        self._summary: Summary | None = None
        if roller is not None and partition.day != NO_DAY:  # sums are of a day
            self._summary = self._tried(lambda: roller.begin(partition.exporter))

    def add(self, rows: pa.Table) -> None:
        summary = self._summary
        if summary is not None:
            self._tried(lambda: summary.add(rows))

    def read(self, backend: StorageBackend, file: StoredFile) -> None:
        """Takes the rows of a file that has been written."""
        if self._summary is not None:
            self._tried(lambda: add_stored(backend, file, self))

    def finish(self, report: ExportReport | None, *, even_small: bool = False) -> bytes | None:
        """The octets of the roll-up; None if there is to be none."""
        summary = self._summary
        if summary is None:
            return None
        self._summary = None
        octets: bytes | None = self._tried(lambda: summary.finish(report, even_small=even_small))
        return octets

    def write(self, backend: StorageBackend, octets: bytes, path: str, flows: str) -> bool:
        """Writes the roll-up of a file of flows that is closed; False if that cannot be done."""
        return self._tried(lambda: _write(backend, octets, path, flows)) is not None

    def _tried(self, step: Callable[[], Any]) -> Any:
        try:
            return step()
        except Exception as error:  # of the maker, whatever it is: the flows do not depend on it
            self._summary = None
            self.fault = f"{type(error).__name__}: {(str(error).splitlines() or [''])[0][:200]}"
            return None


def add_stored(backend: StorageBackend, file: StoredFile, making: Making) -> ExportReport | None:
    """Takes the flows of a file as they were written. Gives what the decoder learned of them, where the file says it. Raises
    Changed, StoreError, ExportError."""
    report = ExportReport()
    with opened(backend, file) as parquet:
        metadata = parquet.metadata.metadata
        StoredFlows(report).add_metadata(metadata, file.target)
        for group in range(parquet.num_row_groups):
            batches = [flow_batch(batch, metadata) for batch in parquet.iter_batches(BATCH_ROWS, [group])]
            if batches:
                making.add(pa.Table.from_batches(batches))
    return report if REPORT_KEY in metadata else None


def _write(backend: StorageBackend, octets: bytes, path: str, flows: str) -> bool:
    try:
        with backend.open_input(flows) as source:
            identity = identity_of(source)
        with backend.open_output(path) as sink:
            sink.write(octets)
            sink.write(_MARK + identity)
    except Exception:
        with suppress(Exception):  # no room for it: none left either
            backend.remove(path)
        raise
    return True


def identity_of(flows: Any) -> bytes:
    """What an open file of flows is known by: IDENTITY_OCTETS. Raises OSError."""
    flows.seek(0, os.SEEK_END)
    octets: int = flows.tell()
    flows.seek(max(octets - END_OCTETS, 0))
    digest = hashlib.blake2b(flows.read(END_OCTETS), digest_size=_DIGEST_OCTETS).digest()
    return octets.to_bytes(_LENGTH_OCTETS, "big") + digest


@contextmanager
def open_rollup(backend: StorageBackend, file: StoredFile) -> Iterator[Any]:
    """The roll-up of a file that find_files() gave, to be read from its front.

    Raises FileNotFoundError where there is none, NotItsRollUp, OSError.
    """
    with backend.open_input(rollup_path(file.target)) as rollup, open_stored(backend, file) as flows:
        need_identity(rollup, identity_of(flows))
        yield rollup


def need_identity(rollup: Any, identity: bytes) -> None:
    """Raises NotItsRollUp unless an open roll-up is that of the flows of this identity; it is at its front again then."""
    rollup.seek(0, os.SEEK_END)
    rollup.seek(max(rollup.tell() - TRAILER_OCTETS, 0))
    if rollup.read(TRAILER_OCTETS) != _MARK + identity:
        raise NotItsRollUp("it was made of other flows than those beside it")
    rollup.seek(0)


def has_sound(backend: StorageBackend, roller: Roller, file: StoredFile) -> bool:
    """Whether a file has a whole roll-up of its own. Raises FileNotFoundError where it has none."""
    try:
        with open_rollup(backend, file) as rollup:
            octets: bytes = rollup.read()
    except FileNotFoundError:
        raise
    except (NotItsRollUp, OSError):
        return False
    return roller.is_sound(octets[:-TRAILER_OCTETS])
