"""Exports into a store: scanned, decoded by several processes, written aside, and added one by one.

Facts the design follows:
- each file is decoded by itself, with what the files before it taught, so that they need not wait for each other.
  Two kinds of capture do have to be read one after another, by one decoder: those of TCP or SCTP connections, whose
  messages may begin in one file and end in the next, and those whose records count totals;
- a file is added as a whole when it is done, or not at all; what others added in the meantime is not added again.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final, Literal

from msgspec import Struct
from msgspec.structs import replace

from flowdiag.collector.clocks import TOLERATED_MS
from flowdiag.collector.export import Export
from flowdiag.collector.knowledge import Knowledge, Seed
from flowdiag.collector.readers.inputs import Input, Progress, SideFileError, find_inputs
from flowdiag.collector.store.adding import Content, add_written, is_added, unit_name
from flowdiag.collector.store.backends import StorageBackend, failures_named, is_url
from flowdiag.collector.store.changes import make_store, sweep
from flowdiag.collector.store.cluster import open_workers
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.rolling import Roller
from flowdiag.collector.store.scan import Scan, scan
from flowdiag.collector.store.sharing import share
from flowdiag.collector.store.workers import Count
from flowdiag.collector.store.writer import FlowWriter, Written
from flowdiag.errors import ExportError, FlowdiagError, StoreError, UsageError

State = Literal["added", "known", "left out", "failed"]
# Each input is read twice: to know it, and to decode it.
_PASSES: Final = 2


class Outcome(Struct, frozen=True):
    """What became of an input. known: its content was in the store already; left out: found in a folder, and no
    export; failed: named, and of no use, as error says.

    records: added from it. Inputs that had to be read together say so with the first of them, the others have 0. faults: why
    some of its files have no roll-up, in words.
    """

    name: str
    state: State
    records: int = 0
    lost_records: int = 0
    undecoded_records: int = 0
    problems: int = 0
    error: FlowdiagError | None = None
    faults: tuple[str, ...] = ()


class Unit(Struct, frozen=True):
    """Inputs that one decoder reads, one after another. where: the store; roller: makes its roll-ups."""

    where: str
    scans: tuple[Scan, ...]
    seed: Seed
    roller: Roller | None = None

    @property
    def contents(self) -> list[Content]:
        return [Content(scanned.digest, scanned.item.name, scanned.item.octets) for scanned in self.scans]


class Decoded(Struct, frozen=True):
    """A unit's flow records, written aside; or why there are none."""

    files: tuple[Written, ...] = ()
    records: int = 0
    lost_records: int = 0
    undecoded_records: int = 0
    problems: int = 0
    error: ExportError | None = None
    faults: tuple[str, ...] = ()


def ingest(
    paths: Sequence[str | Path],
    where: str | Path,
    *,
    jobs: int = 1,
    progress: Progress | None = None,
    cluster: str | None = None,
    roller: Roller | None = None,
) -> list[Outcome]:
    """Adds exports to the store at `where`, made if there is none. jobs: processes that work at the same time; cluster:
    address of a Dask scheduler instead, whose workers see exports and store at the same paths; roller: makes roll-ups.

    Gives an outcome for each input in order. Raises ExportError for a path that does not exist, StoreError, ClusterError,
    and UsageError for a store among the exports and for standard input on a cluster.
    """
    if cluster is not None:
        if any(str(path) == "-" for path in paths):
            raise UsageError(
                "standard input cannot be read on a cluster", expected="files that its workers see"
            )
        paths = [Path(path).absolute() for path in paths]
        where = where if is_url(str(where)) else Path(where).absolute()
    backend = open_backend(where)
    with on_disk(find_inputs(paths)) as inputs:
        for item in inputs:
            if item.store is not None:
                raise UsageError(f"{item.name} is a flow store", expected="exports to add to a store")
        make_store(backend)
        sweep(backend, time.time())
        with (
            failures_named(backend),
            open_workers(jobs, _PASSES * sum(item.octets for item in inputs), progress, cluster) as workers,
        ):
            scans = workers.all(_scan, [(item, n, len(inputs) == 1) for n, item in enumerate(inputs)])
            outcomes: dict[int, Outcome] = {
                n: _unusable(s.item, s.error) for n, s in enumerate(scans) if s.error is not None
            }
            usable = [n for n, s in enumerate(scans) if s.error is None]
            fresh = _fresh(backend, scans, usable)
            outcomes |= {n: Outcome(scans[n].item.name, "known") for n in usable if n not in fresh}
            workers.spare(sum(inputs[n].octets for n in range(len(inputs)) if n not in fresh))
            groups = _groups(scans, usable, fresh)
            units = [replace(_unit(str(where), scans, usable, group), roller=roller) for group in groups]
            for number, decoded in workers.each(_decode, units):
                results = _add(backend, units[number], decoded)
                outcomes |= dict(zip(groups[number], results, strict=True))
    return [outcomes[n] for n in range(len(scans))]


@contextmanager
def on_disk(inputs: list[Input]) -> Iterator[list[Input]]:
    """The inputs, with standard input as a file that can be read twice."""
    if all(item.path is not None for item in inputs):
        yield inputs
        return
    with tempfile.NamedTemporaryFile(prefix="flowdiag-") as copy:
        shutil.copyfileobj(sys.stdin.buffer, copy)
        copy.flush()
        size = copy.tell()
        path = Path(copy.name)
        yield [item if item.path else replace(item, path=path, octets=size) for item in inputs]


def _unusable(item: Input, error: FlowdiagError) -> Outcome:
    if item.folder is None:
        return Outcome(item.name, "failed", error=error)
    return Outcome(item.name, "left out", error=None if isinstance(error, SideFileError) else error)


def _fresh(backend: StorageBackend, scans: list[Scan], usable: list[int]) -> list[int]:
    """The inputs whose content is not in the store; of several of one content the first."""
    first: dict[str, int] = {}
    for number in usable:
        first.setdefault(scans[number].digest, number)
    return sorted(number for digest, number in first.items() if not is_added(backend, digest))


def _groups(scans: list[Scan], usable: list[int], fresh: list[int]) -> list[list[int]]:
    """The inputs to decode, those together that one decoder has to read."""
    chained = [n for n in usable if (known := scans[n].knowledge) and (known.streams or known.running_totals)]
    together = [n for n in fresh if n in chained]
    groups = [[n] for n in fresh if n not in chained]
    return sorted([*groups, together] if together else groups)


def _unit(where: str, scans: list[Scan], usable: list[int], group: list[int]) -> Unit:
    """A group with what the captures before it taught, and the templates of those behind it."""
    before = Knowledge()
    behind: list[Knowledge] = []
    if scans[group[0]].knowledge is not None:
        for number in usable:
            knowledge = scans[number].knowledge
            if knowledge is not None and number < group[0]:
                before.extend(knowledge)
            elif knowledge is not None and number > group[-1]:
                behind.append(knowledge)
    chosen = tuple(replace(scans[number], knowledge=None) for number in group)
    return Unit(where, chosen, before.seed(behind))


def _scan(task: tuple[Input, int, bool], count: Count) -> Scan:
    item, number, alone = task
    return scan(item, number, count, alone=alone)


def _decode(unit: Unit, count: Count) -> Decoded:
    backend = open_backend(unit.where)
    read = 0

    def progress(done: int, _: int) -> None:
        nonlocal read
        count(done - read)
        read = done

    export = Export([scanned.item for scanned in unit.scans], progress=progress)
    export.resume(unit.seed)
    writer = FlowWriter(
        backend,
        unit_name(unit.contents),
        unit.scans[0].began_ms,
        lambda: _tolerated(export.clock_offsets()),
        roller=unit.roller,
    )
    try:
        for batch in export.batches():
            writer.add(batch)
    except ExportError as error:
        writer.discard()
        return Decoded(error=error)
    except BaseException:
        writer.discard()
        raise
    report = export.report
    files = writer.finish(share(report, writer.partitions))
    return Decoded(
        tuple(files),
        writer.rows,
        report.lost_records,
        report.undecoded_records,
        len(report.problems),
        faults=tuple(writer.faults),
    )


def _tolerated(offsets: dict[tuple[bytes, int], int]) -> dict[tuple[bytes, int], int]:
    return {source: offset for source, offset in offsets.items() if abs(offset) > TOLERATED_MS}


def _added_elsewhere(backend: StorageBackend, content: Content) -> Outcome:
    """Of contents that are decoded together, another process may have added some."""
    if is_added(backend, content.digest):
        return Outcome(content.name, "known")
    error = StoreError(
        "another process added captures that belong to it meanwhile",
        file=content.name,
        advice="run this again",
    )
    return Outcome(content.name, "failed", error=error)


def _add(backend: StorageBackend, unit: Unit, decoded: Decoded) -> list[Outcome]:
    """Adds what was decoded to the store, unless somebody else has meanwhile."""
    items = [scanned.item for scanned in unit.scans]
    if decoded.error is not None:
        return [_unusable(item, decoded.error) for item in items]
    if not add_written(backend, unit.contents, decoded.files):
        return [_added_elsewhere(backend, content) for content in unit.contents]
    first = Outcome(
        items[0].name,
        "added",
        decoded.records,
        decoded.lost_records,
        decoded.undecoded_records,
        decoded.problems,
        faults=decoded.faults,
    )
    return [first, *(Outcome(item.name, "added") for item in items[1:])]
