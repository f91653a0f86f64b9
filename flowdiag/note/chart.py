"""The pictures of a note as one PNG to attach alone. matplotlib is loaded here and nowhere else."""

from __future__ import annotations

import warnings
from dataclasses import replace
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final

from flowdiag.note import wording as words
from flowdiag.note import wording_pictures as pictures
from flowdiag.note.axis import highest_share, low_scale, time_ticks
from flowdiag.note.charting import OTHERS
from flowdiag.note.figures import plain_rate
from flowdiag.note.model import Chart, Note, Span, Stack
from flowdiag.note.wording_comparison import chart_title
from flowdiag.site.clock import Clock
from flowdiag.text.escape import terminal

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_INCHES: Final = 10.0
ROW_INCHES: Final = 2.1
HEAD_INCHES: Final = 0.9
DOTS_PER_INCH: Final = 130
# The PNG's text chunks hold neither a version nor a time, so that the same note gives the same octets.
METADATA: Final = {"Software": None, "Creation Time": None}
MOST_OF_A_NAME: Final = 60
_MOST_TICKS: Final = 10
# Okabe and Ito (2008), as in note.css.
_RATE, _AREA, _WINDOW, _FULL, _BUSY = "#0072b2", "#cfe5f3", "#fff3cf", "#d55e00", "#e69f00"
_INK, _SOFT, _CARRYING = "#1b1f24", "#8a939c", "#b8dccf"
_STATE_HATCHES: Final = {"carrying": "", "keepalives only": "....", "silent": "", "unknown": "////"}
# One pattern for each layer of the stack, so that they differ without colour too; the last is of the others.
_LAYERS: Final = (
    *(
        ("#0072b2", ""),
        ("#e69f00", "////"),
        ("#009e73", "\\\\\\\\"),
        ("#cc79a7", "----"),
        ("#56b4e9", "||||"),
    ),
    ("#b3b3b3", "++++"),
)
# Marks stand under the zero line, in shares of the plot's height.
_STRIP: Final = 0.13
_LOAD_AT: Final = -0.19
_STATE_AT: Final = -0.36
_LOWEST: Final = -0.4
_HIGHEST: Final = 1.25
# A mark shorter than that part of the chart has no room for its name.
_LEAST_NAMED: Final = 0.09


def chart_png(note: Note, file: str | Path | IO[bytes]) -> None:
    """Writes the note's pictures; the file is a PNG whatever its suffix. Raises OSError where it cannot be written."""
    figure = chart_figure(note)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a name in a script that the font lacks
        figure.savefig(file, format="png", metadata=METADATA)


def chart_figure(note: Note) -> Figure:
    """One row per link and direction: rate, plan, the time looked at, full and busy spans, gaps.

    A row more shows who used the main finding's link and direction; these rows have one time axis. The last two are the time
    asked about and one beside it, where that was asked for.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    beside = note.beside.charts if note.beside is not None else ()
    rows = max(len(note.charts), 1) + (note.stack is not None) + len(beside)
    height = HEAD_INCHES + ROW_INCHES * rows
    figure = Figure(figsize=(WIDTH_INCHES, height), dpi=DOTS_PER_INCH, layout="constrained")
    FigureCanvasAgg(figure)
    ticket = f" {note.ticket}" if note.ticket else ""
    head = f"{words.TITLE}{ticket}: {terminal(note.site, longest=80)}\n{words.subtitle(note)}"
    figure.suptitle(head, fontsize=11, color=_INK, parse_math=False)
    axes = figure.subplots(rows, 1, squeeze=False)[:, 0]
    clock = note.clock
    for chart, axis in zip(note.charts, axes, strict=False):
        _draw(axis, chart, clock)
    if note.stack is not None:
        _draw_stack(axes[len(note.charts)], note.stack, clock)
    for chart, axis in zip(beside, axes[rows - len(beside) :], strict=True):
        _draw(axis, chart, clock)
        named = replace(chart, link=_name(chart.link))
        axis.set_title(chart_title(named, clock), loc="left", fontsize=9, color=_INK, parse_math=False)
    if not note.charts:
        axes[0].set_axis_off()
        axes[0].text(0.5, 0.5, pictures.NO_RECORDS, ha="center")
    return figure


def _draw(axis: Axes, chart: Chart, clock: Clock) -> None:
    edges = _edges(axis, chart)
    rates = [float("nan") if rate is None else rate for rate in chart.rates]
    top = chart.capacity_mbps * highest_share(chart.highest_mbps, chart.capacity_mbps)
    if chart.asked_ms is not None:
        axis.axvspan(*chart.asked_ms, color=_WINDOW, zorder=0)
        _note(axis, chart.asked_ms[0], top * 1.14, f" {pictures.ASKED}")
    axis.stairs(rates, edges, fill=True, color=_AREA, zorder=1)
    axis.stairs(rates, edges, color=_RATE, linewidth=1.4, zorder=2)
    axis.axhline(chart.capacity_mbps, color=_INK, linestyle=(0, (6, 3)), linewidth=1.1, zorder=3)
    _gaps(axis, chart, top, _LOWEST)
    for spans, colour, hatch, name in (
        (chart.busy, _BUSY, "...", pictures.BUSY),
        (chart.full, _FULL, "////", pictures.FULL),
    ):
        for span in spans:
            _strip(axis, span, _LOAD_AT * top, top, name, edgecolor=colour, hatch=hatch)
    for state in chart.states:
        look = {"edgecolor": _SOFT, "hatch": _STATE_HATCHES[state.state], "linewidth": 0.6}
        look["facecolor"] = _CARRYING if state.state == "carrying" else "white"
        _strip(axis, (state.start_ms, state.end_ms), _STATE_AT * top, top, state.state, **look)
    title = pictures.with_plan(pictures.chart_title(_name(chart.link), chart.direction), chart.capacity_mbps)
    axis.set_ylim(_LOWEST * top, _HIGHEST * top)
    _frame(axis, title, chart.capacity_mbps, clock)


def _draw_stack(axis: Axes, stack: Stack, clock: Clock) -> None:
    chart = stack.chart
    edges = _edges(axis, chart)
    below = [0.0] * (len(edges) - 1)
    for at, layer in enumerate(stack.layers):
        above = [low + rate for low, rate in zip(below, layer.rates, strict=True)]
        colour, hatch = _LAYERS[-1 if layer.name == OTHERS else at]
        axis.stairs(
            above, edges, baseline=below, fill=True, facecolor=colour, edgecolor="white", hatch=hatch,
            linewidth=0.4, label=_name(layer.name).replace("$", r"\$"),
        )  # fmt: skip
        below = above
    scale = low_scale(max(below), chart.capacity_mbps) or chart.capacity_mbps
    top = scale * highest_share(max(below), scale)
    axis.axhline(chart.capacity_mbps, color=_INK, linestyle=(0, (6, 3)), linewidth=1.1, zorder=3)
    for ms in stack.edges_ms:
        axis.axvline(ms, color=_INK, linestyle=":", linewidth=1)
    _gaps(axis, chart, top, 0.0)
    _note(axis, max(stack.episode_ms[0], chart.start_ms), top * 1.14, f" {pictures.FINDING_1}")
    axis.set_ylim(0, _HIGHEST * top)
    axis.legend(loc="upper left", bbox_to_anchor=(0.0, -0.12), ncols=2, fontsize=7.5, frameon=False)
    title = pictures.with_plan(pictures.stack_title(_name(chart.link), chart.direction), chart.capacity_mbps)
    _frame(axis, title, scale, clock)


def _name(text: str) -> str:
    return terminal(text, longest=MOST_OF_A_NAME)


def _frame(axis: Axes, title: str, scale_mbps: float, clock: Clock) -> None:
    """Title, ticks and grid."""
    axis.set_title(terminal(title), loc="left", fontsize=9, color=_INK, parse_math=False)
    axis.set_ylabel("Mbit/s", fontsize=8)
    axis.set_yticks([scale_mbps * part / 2 for part in range(3)])
    axis.set_yticklabels([plain_rate(scale_mbps * part / 2) for part in range(3)])
    left, right = (round(end) for end in axis.get_xlim())
    ticks = time_ticks(clock, left, right, _MOST_TICKS)
    axis.set_xticks([ms for ms, _ in ticks], [label for _, label in ticks])
    axis.tick_params(labelsize=8, colors=_INK)
    axis.grid(axis="y", color="#d0d7de", linewidth=0.6, zorder=0)
    for side in ("top", "right"):
        axis.spines[side].set_visible(False)


def _edges(axis: Axes, chart: Chart) -> list[int]:
    """Edges of the chart's steps, whose whole time the axis shows: all pictures of a note have the same."""
    axis.set_xlim(chart.start_ms, chart.end_ms)
    return [chart.start_ms + at * chart.step_ms for at in range(len(chart.rates) + 1)]


def _gaps(axis: Axes, chart: Chart, top: float, lowest: float) -> None:
    """Where nothing is known; lowest: where the picture begins under the zero line, in shares of its top."""
    for start, end in chart.gaps:
        axis.axvspan(
            start,
            end,
            ymin=-lowest / (_HIGHEST - lowest),
            facecolor="none",
            edgecolor=_SOFT,
            hatch="////",
            linewidth=0,
        )
        _note(axis, start, 0.5 * top, f" {pictures.NO_RECORDS}", background=True)


def _strip(axis: Axes, span: Span, y: float, top: float, name: str, **look: Any) -> None:
    """A mark under the plot over a span of time, with its name."""
    axis.broken_barh([(span[0], span[1] - span[0])], (y, _STRIP * top), **{"facecolor": "white"} | look)
    left, right = axis.get_xlim()
    if span[1] - span[0] >= _LEAST_NAMED * (right - left):
        _note(axis, span[0], y, f" {name}", background=True)


def _note(axis: Axes, x: float, y: float, text: str, *, background: bool = False) -> None:
    box: dict[str, Any] = (
        {"facecolor": "white", "edgecolor": "none", "pad": 0.6} if background else {"alpha": 0}
    )
    axis.text(x, y, text, fontsize=7.5, color=_INK, va="bottom", bbox=box, clip_on=True, parse_math=False)
