"""Which picture of a note comes first."""

from __future__ import annotations

from flowdiag.note.model import Chart, Note


def lead(note: Note) -> Chart | None:
    """The chart of the verdict's link and direction, else the fullest of its link, else the fullest; None without charts."""
    finding = note.verdict.finding
    link: str | None = finding.link if finding else None
    direction: str | None = finding.direction if finding else None
    if note.stack is not None:
        link, direction = note.stack.chart.link, note.stack.chart.direction

    def rank(chart: Chart) -> tuple[bool, bool, float]:
        return (chart.link, chart.direction) == (link, direction), chart.link == link, _fullness(chart)

    return max(note.charts, key=rank, default=None)


def _fullness(chart: Chart) -> float:
    """The highest minute as a share of the plan."""
    return max((peak for peak in chart.peaks if peak is not None), default=0.0) / chart.capacity_mbps
