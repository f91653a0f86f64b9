"""What a note calls figures: headings, and columns of tables."""

from __future__ import annotations

from typing import Final

from flowdiag.text.figures import percent

WHO: Final = {"hosts": "Devices", "applications": "Applications", "destinations": "Destinations"}
UNKNOWN: Final = "unknown"
BACKUP: Final = "backup"
LINK_COLUMNS: Final = (
    "Link",
    "Direction",
    "Plan Mbit/s",
    "Mean",
    "95th pct.",
    "Peak",
    "Volume",
    "Busy minutes",
    "Full minutes",
)
NAME: Final = "Name"
RANKED_COLUMNS: Final = ("Volume", "Share", "Flows")


def and_more(left: int) -> str:
    return f"and {left} more"


def each(share: float) -> str:
    """Where no single one is worth naming."""
    return f"many, each {percent(share)}"


def parts(minutes: float, all_minutes: float) -> str:
    return f"{minutes:,g} of {all_minutes:,g}"


def with_gap(spell: str, gap_s: str) -> str:
    return f"{spell} (gap {gap_s} s)"


def all_others(share: float) -> str:
    return f'All others together have {percent(share)}; "flowdiag top" lists them.'
