"""A chart of a link's rate over time, in block characters, that fits 80 columns."""

from __future__ import annotations

from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from rich.text import Text

from flowdiag.aggregator.usage_report import BUSY, FULL, UNKNOWN, LinkUsage
from flowdiag.durations import DAY_MS
from flowdiag.text.figures import bare_rate
from flowdiag.text.table_figures import clock
from flowdiag.text.wording.usage import span

COLUMNS: Final = 72  # and 8 for the axis
MOST_WIDE: Final = 6  # columns of one window, where there are few
ROWS: Final = 8
GAP: Final = "?"
_BLOCKS: Final = " ▁▂▃▄▅▆▇█"
_STYLES: Final = {FULL: "red", BUSY: "yellow"}


def chart(link: LinkUsage, zone: ZoneInfo) -> Text:
    """Each column is the highest window of its time. The top is the capacity, or the highest rate if that is more;
    a column of which nothing is known shows GAP.
    """
    windows = len(link.mbps)
    wide = min(max(COLUMNS // windows, 1), MOST_WIDE)
    columns = min(COLUMNS, windows * wide)
    begins = np.arange(columns) * windows // columns
    known = link.state != UNKNOWN
    # Where columns repeat a window, reduceat gives that window's own value.
    highest = np.maximum.reduceat(np.where(known, link.mbps, 0.0), begins)
    state = np.maximum.reduceat(np.where(known, link.state, -1), begins)
    top = max(link.figures.capacity_mbps, float(highest.max(initial=0.0)))
    eighths = np.ceil(highest / top * ROWS * 8 - 1e-9).astype(int)
    text = Text()
    for row in range(ROWS - 1, -1, -1):
        label = bare_rate(top) if row == ROWS - 1 else "0" if row == 0 else ""
        text.append(f"{label:>6} ▕")
        for column in range(columns):
            if state[column] < 0:
                text.append(GAP if row == 0 else " ", style="dim")
            else:
                block = _BLOCKS[int(np.clip(eighths[column] - 8 * row, 0, 8))]
                text.append(block, style=_STYLES.get(int(state[column]), "green"))
        text.append("\n")
    text.append(" " * 8 + _axis(link, zone, columns))
    return text


def _axis(link: LinkUsage, zone: ZoneInfo, columns: int) -> str:
    """First time at the left, last at the right, the middle between them if there is room."""
    first, last = int(link.edges_ms[0]), int(link.edges_ms[-1])
    date = last - first >= DAY_MS
    shown = [
        clock(time_ms, zone, date=date)[: 16 if date else 8] for time_ms in (first, (first + last) // 2, last)
    ]
    width = len(shown[0])
    if columns < 2 * width + 1:
        return span(shown[0], shown[2])
    if columns < 3 * width + 4:
        return f"{shown[0]}{shown[2]:>{columns - width}}"
    middle = columns - 2 * width
    return f"{shown[0]}{shown[1]:^{middle}}{shown[2]}"
