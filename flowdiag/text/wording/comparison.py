"""Headings and names of the part of a note that compares two times.

What differs is said by text/sentences/comparison.py.
"""

from __future__ import annotations

from typing import Final

from flowdiag.text.clock import Clock
from flowdiag.text.wording.note import CONFIDENCE, WAYS
from flowdiag.text.wording.shown import Chart, Comparison

LINK: Final = "Link"
FIGURE: Final = "Figure"
SHIFT_COLUMNS: Final = ("What differs", "Name", "Asked", "Compared")
MEAN: Final = "mean Mbit/s"
P95: Final = "95th pct. Mbit/s"
PEAK: Final = "peak Mbit/s"
VOLUME: Final = "volume"
BUSY_MINUTES: Final = "busy minutes"
FULL_MINUTES: Final = "full minutes"
NO_RECORDS: Final = "no records"
KINDS: Final = {"destination": "Destination", "host": "Device", "application": "Application"}


def heading(comparison: Comparison, clock: Clock) -> str:
    return f"Compared with {clock.full_span(*comparison.other_ms)}"


def figures_caption(comparison: Comparison, clock: Clock) -> str:
    return "Figures of {} and of {}".format(*times(comparison, clock))


def shifts_heading(comparison: Comparison) -> str:
    return f"What differs most on {place(*comparison.about)}" if comparison.about else ""


def times(comparison: Comparison, clock: Clock) -> tuple[str, str]:
    """Tue 3 Mar 14:10 to 14:50 of both; with their zones where there are several."""
    spans = (comparison.asked_ms, comparison.other_ms)
    asked, other = (clock.span(*span, day=True) for span in spans)
    zones = {clock.zone(ms) for span in spans for ms in span}
    if len(zones) > 1:
        return asked, other
    zone = f" {zones.pop()}"
    return asked.removesuffix(zone), other.removesuffix(zone)


def verdict_then(comparison: Comparison) -> str | None:
    verdict = comparison.other_verdict
    return None if verdict is None else f"Verdict then: {verdict.code}, {CONFIDENCE[verdict.confidence]}"


def place(link: str, direction: str) -> str:
    return f"{link}, {WAYS[direction]}"


def named(key: str, label: str | None) -> str:
    return f"{key} ({label})" if label else key


def chart_title(chart: Chart, clock: Clock) -> str:
    """ "fibre, upload: Tuesday 24 February 2026, 13:40 to 15:20 NZDT"."""
    return f"{place(chart.link, chart.direction)}: {clock.full_span(chart.start_ms, chart.end_ms)}"
