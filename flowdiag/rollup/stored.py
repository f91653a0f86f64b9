"""The roll-ups of a store: for each file of flows what stands for it, or that its flows have to be read."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence

from msgspec import Struct

from flowdiag.collector.span import Span
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.beside import NotItsRollUp, open_rollup
from flowdiag.collector.store.finding import StoredFile
from flowdiag.collector.store.kept_rollups import KeptRollUp, find_kept_rollups, open_kept
from flowdiag.collector.store.layout import rollup_path
from flowdiag.durations import DAY_MS
from flowdiag.rollup.form import Columns, Damaged, from_file
from flowdiag.rollup.shape import RollUp


class Rolled(Struct, frozen=True, eq=False):
    """A file of flows and its roll-up; None: there is none that can be believed."""

    file: StoredFile
    rollup: RollUp | None


class Kept(Struct, frozen=True, eq=False):
    """A roll-up whose flows are gone. target: where they stood; day: since 1970 UTC."""

    target: str
    day: int
    rollup: RollUp


def read_rollups(
    backend: StorageBackend,
    files: Sequence[StoredFile],
    tables: Collection[str],
    damaged: Callable[[str, str], None] = lambda path, why: None,
    columns: Columns | None = None,
) -> list[Rolled]:
    """The roll-ups of files that find_files() gave, with these tables of shape.TABLES, while backend.reading() is held.

    damaged: called with the path of each roll-up that is not what was written, and why in words; columns: that are wanted
    of some tables, all of the others.
    """
    return [Rolled(file, _rollup(backend, file, tables, damaged, columns)) for file in files]


def _rollup(
    backend: StorageBackend,
    file: StoredFile,
    tables: Collection[str],
    damaged: Callable[[str, str], None],
    columns: Columns | None,
) -> RollUp | None:
    try:
        with open_rollup(backend, file) as source:
            return _of_exporter(from_file(source, tables, columns), file.partition.exporter)
    except FileNotFoundError:
        return None
    except (Damaged, NotItsRollUp, OSError) as error:
        damaged(f"{backend.name}/{rollup_path(file.target)}", str(error))
        return None


def read_kept(
    backend: StorageBackend,
    kept: KeptRollUp,
    tables: Collection[str],
    damaged: Callable[[str, str], None] = lambda path, why: None,
    columns: Columns | None = None,
) -> RollUp | None:
    """A roll-up whose flows went because of their age, as find_kept_rollups() gave it; None: what it told is lost. Parameters as
    of read_rollups()."""
    try:
        with open_kept(backend, kept) as source:
            return _of_exporter(from_file(source, tables, columns), kept.partition.exporter)
    except (Damaged, NotItsRollUp, OSError) as error:
        damaged(f"{backend.name}/{rollup_path(kept.target)}", getattr(error, "strerror", None) or str(error))
        return None


def read_all_kept(
    backend: StorageBackend,
    exporters: Collection[bytes] | None,
    span: Span,
    files: Sequence[StoredFile],
    tables: Collection[str],
    damaged: Callable[[str, str], None] = lambda path, why: None,
) -> list[Kept]:
    """The roll-ups of these exporters that may tell of a span and whose flows are gone. files: what find_files() gave for the
    same. Other parameters as of read_rollups()."""
    return [
        Kept(one.target, day.partition.day, rollup)
        for day in find_kept_rollups(backend, exporters, span, files)
        for one in day.rollups
        if (rollup := read_kept(backend, one, tables, damaged)) is not None
    ]


def days_gone(kept: Sequence[Kept], window_ms: tuple[int, int]) -> int:
    """Of how many days of a window, [from, to) in ms, flows are gone."""
    return len(
        {one.day for one in kept if one.day * DAY_MS < window_ms[1] and (one.day + 1) * DAY_MS > window_ms[0]}
    )


def _of_exporter(rollup: RollUp, exporter: bytes) -> RollUp:
    if rollup.exporter != exporter:
        raise Damaged("it is of another exporter")
    return rollup
