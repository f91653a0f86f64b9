"""What `flowdiag ingest` says it did."""

from __future__ import annotations

from typing import Final

from flowdiag.text.figures import count

NOTHING: Final = "nothing had to be done"
KNOWN: Final = "is in the store already"
NO_EXPORT: Final = "left out, no export"
NO_DAY: Final = "without a day"
UNKNOWN_EXPORTER: Final = "unknown exporter"


def added(records: int, lost: int, undecoded: int, problems: int) -> str:
    """problems: kinds of them."""
    parts = [f"{count(records, 'record')} added"]
    if lost:
        parts.append(f"{lost:,} were lost on the way")
    if undecoded:
        parts.append(f"{undecoded:,} could not be decoded")
    if problems:
        parts.append(f"{count(problems, 'kind')} of problem, see flowdiag inspect")
    return "; ".join(parts)


def left_out(why: str) -> str:
    return f"left out, {why}"


def dropped(partition: str, records: int, octets: int, kept: int) -> str:
    """kept: roll-ups that stay in their place."""
    stay = f"; {count(kept, 'roll-up')} kept" if kept else ""
    return f"dropped {partition}: {count(records, 'record')}, {octets:,} octets{stay}"


def dropped_rollups(partition: str, number: int, octets: int) -> str:
    return f"dropped {count(number, 'roll-up')} of {partition}: {octets:,} octets"


def merged(partition: str, before: int, after: int, records: int) -> str:
    """before, after: files of the partition."""
    return f"merged {partition}: {before} files became {after}, {count(records, 'record')}"


def rebuilt(partition: str, made: int, damaged: int) -> str:
    """damaged: of those made, how many took the place of a damaged one."""
    instead = f", {damaged} in place of a damaged one" if damaged else ""
    return f"made {count(made, 'roll-up')} of {partition} anew{instead}"


def removed(partition: str, damaged: int) -> str:
    """Roll-ups of flows that are too few for one."""
    return f"removed {count(damaged, 'damaged roll-up')} of {partition}"


def fault(why: str) -> str:
    return f"a roll-up could not be made, so its flows will be read instead ({why})"
