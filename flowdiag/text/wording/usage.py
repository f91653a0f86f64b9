"""What `flowdiag usage` says around its figures."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from flowdiag.text.figures import bare_rate, tenths
from flowdiag.text.wording.note import DIRECTIONS

# Link and direction, then figures.
COLUMNS: Final = ("link", "", "plan", "mean", "95th", "peak", "octets", "busy min", "full min")
SILENT: Final = "? the exporter was silent: not known, not zero"
NO_TRAFFIC: Final = "no traffic"
# Service classes that no standard names.
CLASSES: Final = {"not exported": "not exported", "no standard class": "no standard class"}


def span(begin: str, end: str) -> str:
    return f"{begin} to {end}"


def heading(site: str, shown: str, timezone: str) -> str:
    return f"{site}, {shown} ({timezone})"


def link_heading(link: str, direction: str, capacity_mbps: float) -> str:
    return f"{link} {DIRECTIONS[direction]}, Mbit/s of {capacity_mbps:g}"


def highest(when: str, mbps: float, lower_mbps: float, upper_mbps: float) -> str:
    """The highest window, and what it could have been given the flows' times."""
    return (
        f"highest {when}: {bare_rate(mbps)} spread evenly, "
        f"{bare_rate(lower_mbps)} to {bare_rate(upper_mbps)} by the flows' times"
    )


def by_month(months: Iterable[tuple[int, int, float]]) -> str:
    """months: (year, month, 95th percentile in Mbit/s)."""
    told = (f"{year:04d}-{month:02d} {bare_rate(p95)}" for year, month, p95 in months)
    return f"95th percentile by month: {', '.join(told)}"


def by_class(classes: Iterable[tuple[str, Sequence[str], float]]) -> str:
    """classes: (service class, names of its code points, share)."""
    parts = []
    for name, points, share in classes:
        known = f" ({', '.join(points)})" if points else ""
        parts.append(f"{CLASSES.get(name, name)}{known} {tenths(share)}")
    return f"by service class: {', '.join(parts)}"
