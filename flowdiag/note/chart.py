"""The pictures of a note as one PNG to attach alone. matplotlib is loaded here and nowhere else."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from flowdiag.note import wording as words
from flowdiag.note.axis import highest_share, time_ticks
from flowdiag.note.clock import Clock
from flowdiag.note.escape import terminal
from flowdiag.note.figures import plain_rate
from flowdiag.note.model import Chart, Note

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_INCHES: Final = 10.0
ROW_INCHES: Final = 2.1
DOTS_PER_INCH: Final = 130
# The PNG's text chunks hold neither a version nor a time, so that the same note gives the same octets.
METADATA: Final = {"Software": None, "Creation Time": None}
_MOST_TICKS: Final = 10
# Okabe and Ito (2008), as in note.css.
_RATE, _AREA, _WINDOW, _FULL, _BUSY, _INK = "#0072b2", "#cfe5f3", "#fff3cf", "#d55e00", "#e69f00", "#1b1f24"


def chart_png(note: Note, path: str | Path) -> None:
    """Writes one row per link and direction: rate, plan, the time looked at, full and busy spans, gaps.

    The file is a PNG whatever its suffix. Raises OSError where it cannot be written.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    rows = max(len(note.charts), 1)
    figure = Figure(figsize=(WIDTH_INCHES, 0.9 + ROW_INCHES * rows), dpi=DOTS_PER_INCH, layout="constrained")
    FigureCanvasAgg(figure)
    ticket = f" {note.ticket}" if note.ticket else ""
    head = f"{words.TITLE}{ticket}: {terminal(note.site, longest=80)}\n{words.subtitle(note)}"
    figure.suptitle(head, fontsize=11, color=_INK, parse_math=False)
    axes = figure.subplots(rows, 1, squeeze=False)[:, 0]
    clock = Clock(note.timezone)
    for chart, axis in zip(note.charts, axes, strict=False):
        _draw(axis, chart, clock)
    if not note.charts:
        axes[0].set_axis_off()
        axes[0].text(0.5, 0.5, words.NO_RECORDS, ha="center")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a name in a script that the font lacks
        figure.savefig(path, format="png", metadata=METADATA)


def _draw(axis: Axes, chart: Chart, clock: Clock) -> None:
    edges = [chart.start_ms + at * chart.step_ms for at in range(len(chart.rates) + 1)]
    rates = [float("nan") if rate is None else rate for rate in chart.rates]
    peak = max((value for value in chart.peaks if value is not None), default=0.0)
    top = chart.capacity_mbps * highest_share(peak, chart.capacity_mbps)
    if chart.window_ms is not None:
        axis.axvspan(*chart.window_ms, color=_WINDOW, zorder=0)
        _note(axis, chart.window_ms[0], top * 1.14, words.ASKED)
    axis.stairs(rates, edges, fill=True, color=_AREA, zorder=1)
    axis.stairs(rates, edges, color=_RATE, linewidth=1.4, zorder=2)
    axis.axhline(chart.capacity_mbps, color=_INK, linestyle=(0, (6, 3)), linewidth=1.1, zorder=3)
    for start, rate in zip(edges, chart.rates, strict=False):
        if rate is None:
            axis.axvspan(
                start, start + chart.step_ms, facecolor="none", edgecolor="#9aa3ac", hatch="////", linewidth=0
            )
    for spans, colour, hatch, name in (
        (chart.busy, _BUSY, "...", words.BUSY),
        (chart.full, _FULL, "////", words.FULL),
    ):
        for start, end in spans:
            axis.broken_barh(
                [(start, end - start)],
                (-0.13 * top, 0.1 * top),
                facecolor="white",
                edgecolor=colour,
                hatch=hatch,
            )
            _note(axis, start, -0.12 * top, f" {name}", background=True)
    title = f"{words.chart_title(chart.link, chart.direction)}: plan {plain_rate(chart.capacity_mbps)} Mbit/s"
    axis.set_title(terminal(title, longest=100), loc="left", fontsize=9, color=_INK, parse_math=False)
    axis.set_ylabel("Mbit/s", fontsize=8)
    axis.set_xlim(chart.start_ms, chart.end_ms)
    axis.set_ylim(-0.16 * top, top * 1.25)
    axis.set_yticks([chart.capacity_mbps * part / 2 for part in range(3)])
    axis.set_yticklabels([plain_rate(chart.capacity_mbps * part / 2) for part in range(3)])
    ticks = time_ticks(clock, chart.start_ms, chart.end_ms, _MOST_TICKS)
    axis.set_xticks([ms for ms, _ in ticks], [label for _, label in ticks])
    axis.tick_params(labelsize=8, colors=_INK)
    axis.grid(axis="y", color="#d0d7de", linewidth=0.6, zorder=0)
    for side in ("top", "right"):
        axis.spines[side].set_visible(False)


def _note(axis: Axes, x: float, y: float, text: str, *, background: bool = False) -> None:
    box: dict[str, Any] = (
        {"facecolor": "white", "edgecolor": "none", "pad": 0.6} if background else {"alpha": 0}
    )
    axis.text(x, y, text, fontsize=7.5, color=_INK, va="bottom", bbox=box, clip_on=True, parse_math=False)
