"""An export of more records than memory is to hold, over a long time: it becomes a store for as long as the question takes.

Facts the design follows:
- memory for a question shall follow from what is asked and not from how long the export is; a store is asked by its
  roll-ups and the flows of some hours;
- most exports are small, and whoever asks waits: an export is read as ever until it proves to be too long, which costs the
  few seconds until then;
- many records of a short time are what was asked about, and are all looked at.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc

from flowdiag.collector.readers.inputs import STANDARD_INPUT, is_store
from flowdiag.durations import HOUR_MS
from flowdiag.long_times import Effort

# A shorter time is what was asked about.
LONG_MS: Final = 6 * HOUR_MS


class TooMuchAtOnce(Exception):
    """An export has more records, over a long time, than memory is to hold."""


def can_be_read_twice(paths: Sequence[str | Path]) -> bool:
    """Whether exports can become a store: files, and not standard input or stores."""
    return not any(str(path) == STANDARD_INPUT or is_store(path) for path in paths)


def at_once(batches: Iterable[pa.RecordBatch], effort: Effort) -> Iterator[pa.RecordBatch]:
    """The batches, of FLOW_SCHEMA. Raises TooMuchAtOnce when they are too many."""
    rows = 0
    firsts, lasts = [], []
    for batch in batches:
        rows += batch.num_rows
        ends = pc.min_max(batch["end"].cast(pa.int64()))
        if ends["min"].is_valid:
            firsts.append(ends["min"].as_py())
            lasts.append(ends["max"].as_py())
        if rows > effort.at_once and firsts and max(lasts) - min(firsts) >= LONG_MS:
            raise TooMuchAtOnce
        yield batch


@contextmanager
def as_store(paths: Sequence[str | Path]) -> Iterator[Path]:
    """A store of exports, with roll-ups, that is removed at the end. Raises ExportError, StoreError."""
    from flowdiag.collector.store.ingest import ingest
    from flowdiag.rollup import ROLLER

    with tempfile.TemporaryDirectory(prefix="flowdiag-") as folder:
        store = Path(folder) / "flows"
        for outcome in ingest(paths, store, roller=ROLLER):
            if outcome.state == "failed" and outcome.error is not None:
                raise outcome.error
        yield store
