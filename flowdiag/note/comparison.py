"""The part of a note that holds another time beside the one asked about: two columns of figures, two pictures on one axis."""

from __future__ import annotations

from typing import Final

from msgspec.structs import replace

from flowdiag.aggregator.figures import DirectionFigures
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.comparison import Comparison, Pair, compare
from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.diagnoser.signals.figure_windows import figure_windows
from flowdiag.durations import MINUTE_MS
from flowdiag.note.charting import charts, shown_span, time_axis
from flowdiag.note.model import Beside, Chart, TimeAxis
from flowdiag.text.clock import Clock
from flowdiag.text.figures import bare_rate, volume
from flowdiag.text.wording import comparison as wording
from flowdiag.text.wording.pictures import HARDLY_USED

Table = tuple[tuple[str, ...], list[tuple[str, ...]]]
NAMES: Final = 2  # columns of the tables that are names; the others are figures


def beside(asked: Diagnosis, other: Diagnosis, direction: str | None = None) -> Beside:
    """Both diagnoses side by side. direction: the only one to speak of."""
    comparison = compare(asked, other, direction)
    return Beside(comparison, _charts(asked.case, other.case, comparison.about))


def _charts(asked: Case, other: Case, about: tuple[str, str] | None) -> tuple[Chart, ...]:
    """The rates of one link direction in both times: as far from the begin of its window, to one scale; none without one."""
    if about is None:
        return ()
    drawn = []
    for case, axis in zip((asked, other), _axes(asked, other), strict=True):
        drawn += [chart for chart in charts(case, axis) if (chart.link, chart.direction) == about]
    highest = max((peak for chart in drawn for peak in chart.peaks if peak is not None), default=0.0)
    return tuple(replace(chart, scale_mbps=highest) for chart in drawn)


def _axes(asked: Case, other: Case) -> tuple[TimeAxis, TimeAxis]:
    """Axes of one length and step, on which both windows begin at the same place to the minute."""
    cases = (asked, other)
    shown = [(shown_span(case), case.window_ms[0]) for case in cases]
    first, past = min(start - at for (start, _), at in shown), max(end - at for (_, end), at in shown)
    begins = [(at + first) // MINUTE_MS * MINUTE_MS for _, at in shown]
    length = max(at + past - begin for begin, (_, at) in zip(begins, shown, strict=True))
    axes = [time_axis(case, (begin, begin + length)) for case, begin in zip(cases, begins, strict=True)]
    step = max(axis.step_ms for axis in axes)
    if any(step % figure_windows(case).usage.window_ms for case in cases):
        step = -(-step // MINUTE_MS) * MINUTE_MS
    one, two = (replace(axis, step_ms=step) for axis in axes)
    return one, two


def figure_table(comparison: Comparison, clock: Clock) -> Table:
    """Columns and cells: a row for each figure of each link direction that was used in either time."""
    rows: list[tuple[str, ...]] = [
        (wording.place(pair.link, pair.direction), name, *cells)
        for pair in comparison.pairs
        if _is_used(pair) or (pair.link, pair.direction) == comparison.about
        for name, *cells in _figures(pair)
    ]
    return ((wording.LINK, wording.FIGURE, *wording.times(comparison, clock)), rows)


def shift_table(comparison: Comparison, clock: Clock) -> Table:
    """Columns and cells: what carried more or less on the link direction that the sentence is about."""
    moved = comparison.shifts.largest if comparison.shifts else ()
    rows: list[tuple[str, ...]] = [
        (
            wording.KINDS[shift.kind],
            wording.named(shift.key, shift.label),
            volume(shift.asked_octets),
            volume(shift.other_octets),
        )
        for shift in moved
    ]
    return (wording.SHIFT_COLUMNS, rows)


def _is_used(pair: Pair) -> bool:
    return any(
        side is not None and side.peak_mbps >= HARDLY_USED * side.capacity_mbps
        for side in (pair.asked, pair.other)
    )


def _figures(pair: Pair) -> list[tuple[str, str, str]]:
    sides = (pair.asked, pair.other)
    told = {
        wording.MEAN: [_rate(side, "mean_mbps") for side in sides],
        wording.P95: [_rate(side, "p95_mbps") for side in sides],
        wording.PEAK: [_rate(side, "peak_mbps") for side in sides],
        wording.VOLUME: [wording.NO_RECORDS if side is None else volume(side.octets) for side in sides],
    }
    for name, key in ((wording.BUSY_MINUTES, "busy_minutes"), (wording.FULL_MINUTES, "full_minutes")):
        if any(side is not None and getattr(side, key) for side in sides):
            told[name] = [
                wording.NO_RECORDS if side is None else f"{getattr(side, key):,g}" for side in sides
            ]
    return [(name, asked, other) for name, (asked, other) in told.items()]


def _rate(side: DirectionFigures | None, key: str) -> str:
    return wording.NO_RECORDS if side is None else bare_rate(getattr(side, key))
