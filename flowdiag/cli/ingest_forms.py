"""What `flowdiag ingest` did, as text and as JSON."""

from __future__ import annotations

import json
from collections.abc import Iterator
from itertools import groupby
from typing import Any, Final

from msgspec import Struct, field

from flowdiag.addresses import UNKNOWN_ADDRESS, to_text
from flowdiag.collector.store.ingest import Outcome
from flowdiag.collector.store.layout import NO_DAY, Partition, day_text
from flowdiag.collector.store.rebuilding import Rebuilt
from flowdiag.collector.store.retention import Dropped
from flowdiag.collector.store.upkeep import Merged
from flowdiag.text.escape import terminal
from flowdiag.text.wording import ingest as wording

SCHEMA: Final = "flowdiag.ingest/1"


class Done(Struct):
    """Everything that one run did."""

    outcomes: list[Outcome] = field(default_factory=list)
    merged: list[Merged] = field(default_factory=list)
    dropped: list[Dropped] = field(default_factory=list)
    rebuilt: list[Rebuilt] = field(default_factory=list)


def as_text(done: Done) -> str:
    """One line for each export and for each partition that was changed."""
    return "".join(f"{terminal(line)}\n" for line in _lines(done)) or f"{wording.NOTHING}\n"


def _lines(done: Done) -> Iterator[str]:
    for outcome in done.outcomes:
        yield f"{outcome.name}: {_told(outcome)}"
        yield from (f"{outcome.name}: {wording.fault(why)}" for why in outcome.faults)
    for gone in done.dropped:
        named = _named(gone.partition)
        if gone.files:
            yield wording.dropped(named, gone.rows, gone.octets, gone.kept)
        if gone.rollups:
            yield wording.dropped_rollups(named, gone.rollups, gone.rollup_octets)
    for merged in done.merged:
        named, files = _named(merged.partition), (merged.files_before, merged.files_after)
        yield wording.merged(named, *files, merged.rows)
        yield from (f"{named}: {wording.fault(why)}" for why in merged.faults)
    for partition, own in _by_partition(done.rebuilt):
        yield from _rebuilt(_named(partition), own)


def _by_partition(rebuilt: list[Rebuilt]) -> Iterator[tuple[Partition, list[Rebuilt]]]:
    for partition, own in groupby(rebuilt, key=lambda one: one.partition):
        yield partition, list(own)


def _rebuilt(named: str, own: list[Rebuilt]) -> Iterator[str]:
    made = [one for one in own if one.made]
    if made:
        yield wording.rebuilt(named, len(made), sum(one.damaged for one in made))
    if gone := sum(not one.made and not one.fault for one in own):
        yield wording.removed(named, gone)
    yield from (f"{one.target}: {wording.fault(one.fault)}" for one in own if one.fault)


def _told(outcome: Outcome) -> str:
    if outcome.state == "known":
        return wording.KNOWN
    if outcome.state == "added":
        return wording.added(
            outcome.records, outcome.lost_records, outcome.undecoded_records, outcome.problems
        )
    if outcome.error is None:
        return wording.NO_EXPORT
    return wording.left_out(outcome.error.what) if outcome.state == "left out" else outcome.error.what


def _named(partition: Partition) -> str:
    day = wording.NO_DAY if partition.day == NO_DAY else day_text(partition.day)
    return f"{_exporter(partition) or wording.UNKNOWN_EXPORTER}, {day}"


def _exporter(partition: Partition) -> str | None:
    return None if partition.exporter == UNKNOWN_ADDRESS else to_text(partition.exporter)


def as_json(done: Done) -> str:
    """The JSON object of schema flowdiag.ingest/1."""
    return json.dumps(
        {
            "schema": SCHEMA,
            "exports": [
                {
                    "name": outcome.name,
                    "state": outcome.state,
                    "records": outcome.records,
                    "lost_records": outcome.lost_records,
                    "undecoded_records": outcome.undecoded_records,
                    "problems": outcome.problems,
                    "error": None if outcome.error is None else str(outcome.error),
                    "rollup_faults": list(outcome.faults),
                }
                for outcome in done.outcomes
            ],
            "dropped": [
                _partition(gone.partition)
                | {
                    "files": gone.files,
                    "records": gone.rows,
                    "octets": gone.octets,
                    "rollups_kept": gone.kept,
                    "rollups_dropped": gone.rollups,
                }
                for gone in done.dropped
            ],
            "merged": [
                _partition(merged.partition)
                | {
                    "files_before": merged.files_before,
                    "files_after": merged.files_after,
                    "records": merged.rows,
                    "rollup_faults": list(merged.faults),
                }
                for merged in done.merged
            ],
            "rebuilt": [
                _partition(partition)
                | {
                    "made": sum(one.made for one in own),
                    "damaged": sum(one.damaged for one in own),
                    "faults": [one.fault for one in own if one.fault],
                }
                for partition, own in _by_partition(done.rebuilt)
            ],
        },
        indent=2,
    )


def _partition(partition: Partition) -> dict[str, Any]:
    return {
        "exporter": _exporter(partition),
        "day": None if partition.day == NO_DAY else day_text(partition.day),
    }
