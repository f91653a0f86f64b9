"""The rate of a link direction over time in block characters, for terminals and plain text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from rich.cells import cell_len

from flowdiag.durations import MINUTE_MS, Span
from flowdiag.note.axis import highest_share, time_ticks
from flowdiag.note.layout import Line, paragraph
from flowdiag.note.model import Chart, Rates
from flowdiag.text.clock import Clock
from flowdiag.text.wording import pictures as wording

BLOCKS: Final = " ▁▂▃▄▅▆▇█"
PLAN_LINE: Final = "▔"  # in the row under 100%, where no bar hides it
GAP: Final = "░"
MARGIN: Final = 11  # room for the labels on the left
ROWS_TO_PLAN: Final = 5
_STATE_MARKS: Final = {"carrying": "━", "keepalives only": "·", "silent": " ", "unknown": "?"}


def chart_lines(chart: Chart, clock: Clock, width: int) -> list[Line]:
    """A title, the bars, the time axis, and rows that mark load, the time looked at and the link's state."""
    columns = width - MARGIN
    group = -(-len(chart.rates) // columns)
    rates = grouped(chart.rates, group)
    step_ms = chart.step_ms * group
    known = [value for value in rates if value is not None]
    if not known:
        return _title(chart, wording.NO_RECORDS_IN_THIS_TIME, width)
    if chart.highest_mbps < wording.HARDLY_USED * chart.capacity_mbps:
        return _title(chart, wording.hardly_used(chart), width)
    minutes = max(step_ms // MINUTE_MS, 1)
    lines = _title(chart, wording.column_is(minutes), width)
    highest = max(known) if chart.scale_mbps is None else chart.scale_mbps
    lines += _bars(rates, chart.capacity_mbps, highest_share(highest, chart.capacity_mbps))
    lines += _axis(chart, clock, len(rates), step_ms)
    middles = [chart.start_ms + column * step_ms + step_ms // 2 for column in range(len(rates))]
    load = ["F" if _within(at, chart.full) else "b" if _within(at, chart.busy) else " " for at in middles]
    asked = ["=" if _touches(chart.asked_ms, at - step_ms // 2, step_ms) else " " for at in middles]
    state = [_state(chart, at) for at in middles]
    for name, marks, style in (
        (wording.ROW_LOAD, load, "red"),
        (wording.ROW_ASKED, asked, ""),
        (wording.ROW_STATE, state, ""),
    ):
        if any(mark != " " for mark in marks):
            lines.append([(f"{name:>{MARGIN - 2}}  ", ""), ("".join(marks).rstrip(), style)])
    return lines


def _title(chart: Chart, said: str, width: int) -> list[Line]:
    title = wording.text_chart_title(chart.link, chart.direction, chart.capacity_mbps)
    if len("  ") + cell_len(title) + len("; ") + cell_len(said) <= width:
        return [[("  ", ""), (title, "bold"), (f"; {said}", "")]]
    return paragraph(f"{title}; {said}", width, indent="  ", style="bold")


def grouped(rates: Rates, group: int) -> list[float | None]:
    """Means of `group` steps each; None where none of them is known."""
    means: list[float | None] = []
    for at in range(0, len(rates), group):
        known = [value for value in rates[at : at + group] if value is not None]
        means.append(sum(known) / len(known) if known else None)
    return means


def _bars(rates: Sequence[float | None], capacity: float, top: float) -> list[Line]:
    row_share = 1.0 / ROWS_TO_PLAN
    lines: list[Line] = []
    for row in range(round(top * ROWS_TO_PLAN), 0, -1):
        cells = []
        for value in rates:
            if value is None:
                cells.append(GAP)
                continue
            eighths = round((value / capacity - (row - 1) * row_share) / row_share * 8)
            blank = PLAN_LINE if row == ROWS_TO_PLAN else " "
            cells.append(BLOCKS[min(eighths, 8)] if eighths > 0 else blank)
        label = f"{row * row_share:.0%}"
        lines.append([(f"{label:>{MARGIN - 3}} │ ", ""), ("".join(cells).rstrip(), "cyan")])
    return lines


def _axis(chart: Chart, clock: Clock, columns: int, step_ms: int) -> list[Line]:
    rule, labels = ["─"] * columns, [" "] * (columns + 12)
    free = 0
    for ms, label in time_ticks(
        clock, chart.start_ms, chart.start_ms + columns * step_ms, max(columns // 12, 1)
    ):
        at = (ms - chart.start_ms) // step_ms
        rule[at] = "┬"
        if at >= free:
            labels[at : at + len(label)] = label
            free = at + len(label) + 2
    return [
        [(f"{'0%':>{MARGIN - 3}} └─", ""), ("".join(rule), "")],
        [(" " * MARGIN, ""), ("".join(labels).rstrip(), "")],
    ]


def _within(ms: int, spans: Sequence[Span]) -> bool:
    return any(start <= ms < end for start, end in spans)


def _touches(span: Span | None, start_ms: int, step_ms: int) -> bool:
    """Whether a part of a column's time is in the span: the shortest time that was asked about has its mark."""
    return span is not None and span[0] < start_ms + step_ms and span[1] > start_ms


def _state(chart: Chart, ms: int) -> str:
    for span in chart.states:
        if span.start_ms <= ms < span.end_ms:
            return _STATE_MARKS[span.state]
    return " "
