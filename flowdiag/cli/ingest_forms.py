"""What `flowdiag ingest` did, as text and as JSON."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, Final

from msgspec import Struct, field

from flowdiag.addresses import UNKNOWN_ADDRESS, to_text
from flowdiag.collector.store.ingest import Outcome
from flowdiag.collector.store.layout import NO_DAY, Partition, day_text
from flowdiag.collector.store.upkeep import Dropped, Merged
from flowdiag.text.escape import terminal
from flowdiag.text.wording import ingest as wording

SCHEMA: Final = "flowdiag.ingest/1"


class Done(Struct):
    """Everything that one run did."""

    outcomes: list[Outcome] = field(default_factory=list)
    merged: list[Merged] = field(default_factory=list)
    dropped: list[Dropped] = field(default_factory=list)


def as_text(done: Done) -> str:
    """One line for each export and for each partition that was changed."""
    return "".join(f"{terminal(line)}\n" for line in _lines(done)) or f"{wording.NOTHING}\n"


def _lines(done: Done) -> Iterator[str]:
    for outcome in done.outcomes:
        yield f"{outcome.name}: {_told(outcome)}"
    for gone in done.dropped:
        yield wording.dropped(_named(gone.partition), gone.rows, gone.octets)
    for merged in done.merged:
        files = merged.files_before, merged.files_after
        yield wording.merged(_named(merged.partition), *files, merged.rows)


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
                }
                for outcome in done.outcomes
            ],
            "dropped": [
                _partition(gone.partition)
                | {"files": gone.files, "records": gone.rows, "octets": gone.octets}
                for gone in done.dropped
            ],
            "merged": [
                _partition(merged.partition)
                | {
                    "files_before": merged.files_before,
                    "files_after": merged.files_after,
                    "records": merged.rows,
                }
                for merged in done.merged
            ],
        },
        indent=2,
    )


def _partition(partition: Partition) -> dict[str, Any]:
    return {
        "exporter": _exporter(partition),
        "day": None if partition.day == NO_DAY else day_text(partition.day),
    }
