"""What a review says of a site's files that could not be used, or are gone."""

from __future__ import annotations

from datetime import date


def damaged(path: str, why: str) -> str:
    return f"{path}: a damaged roll-up was not used (flowdiag ingest --rebuild makes it anew): {why}"


def lost(path: str, why: str) -> str:
    return f"{path}: what this roll-up told of flows that are gone is lost: {why}"


def unknown(day: date) -> str:
    """Of a day without its flows, on which sums cannot rule out what only flows tell."""
    return f"{day}: only its flows, which are gone, would tell stays on the backup, leaks and missing keepalives for sure"


def gone(days: int, first: date, last: date) -> str:
    if days == 1:
        return f"the flows of {first} are gone because of their age: its roll-ups are used"
    return (
        f"the flows of {days} days, {first} to {last}, are gone because of their age: their roll-ups are used"
    )


def without(records: int) -> str:
    return f"{records} records are gone because of their age, and no roll-up tells of them"
