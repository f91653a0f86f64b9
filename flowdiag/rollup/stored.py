"""The roll-ups of a store: for each file of flows what stands for it, or that its flows have to be read."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from msgspec import Struct

from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.finding import StoredFile
from flowdiag.collector.store.layout import rollup_path
from flowdiag.rollup.form import Damaged, Wanted, from_file
from flowdiag.rollup.shape import RollUp

DAMAGED: Final = "a damaged roll-up was not used (flowdiag ingest --rebuild makes it anew)"


class Rolled(Struct, frozen=True, eq=False):
    """A file of flows and its roll-up; None: there is none that can be believed."""

    file: StoredFile
    rollup: RollUp | None


def read_rollups(
    backend: StorageBackend,
    files: Sequence[StoredFile],
    tables: Wanted,
    damaged: Callable[[str, str], None] = lambda path, why: None,
) -> list[Rolled]:
    """The roll-ups of files that find_files() gave, with these tables of shape.TABLES, while backend.reading() is held.

    damaged: called with the path of each roll-up that is not what was written, and why in words.
    """
    return [Rolled(file, _rollup(backend, file, tables, damaged)) for file in files]


def _rollup(
    backend: StorageBackend,
    file: StoredFile,
    tables: Wanted,
    damaged: Callable[[str, str], None],
) -> RollUp | None:
    path = rollup_path(file.target)
    try:
        with backend.open_input(path) as source:
            rollup = from_file(source, tables)
    except FileNotFoundError:
        return None
    except (Damaged, OSError) as error:
        damaged(f"{backend.name}/{path}", str(error))
        return None
    if rollup.exporter != file.partition.exporter:
        damaged(f"{backend.name}/{path}", "it is of another exporter")
        return None
    return rollup
