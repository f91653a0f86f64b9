"""The rate of one link direction over time against its plan, as SVG: window, load and link state marked."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

from msgspec.structs import replace

from flowdiag.diagnoser.signals.link_states import CARRYING, KEEPALIVES, SILENT, STATE_NAMES, UNKNOWN
from flowdiag.durations import MINUTE_MS, Span
from flowdiag.note.axis import LEFT, highest_share
from flowdiag.note.model import Chart
from flowdiag.note.svg import (
    CHARACTER,
    LOW_PLOT,
    PLOT,
    TOP,
    WIDTH,
    Frame,
    element,
    path,
    pattern,
    stairs,
    strips,
)
from flowdiag.note.svg import text_element as label
from flowdiag.text.clock import Clock
from flowdiag.text.wording import pictures as wording

STRIP: Final = 16.0
LEGEND_ROW: Final = 20.0
SWATCH: Final = 14.0
SWATCH_GAP: Final = 8.0
MANY_STATES: Final = 50  # more of them are drawn as one shape of each kind, an eighth of the octets


class Look(NamedTuple):
    """How a kind of mark is filled (a pattern of the picture; empty for that of its class) and its classes."""

    fill: str
    classes: str


LOOKS: Final = {
    wording.FULL: Look("full", "mark full"),
    wording.BUSY: Look("busy", "mark busy"),
    wording.STATES[STATE_NAMES[CARRYING]]: Look("", "state carrying"),
    wording.STATES[STATE_NAMES[KEEPALIVES]]: Look("dots", "state keepalives"),
    wording.STATES[STATE_NAMES[SILENT]]: Look("", "state silent"),
    wording.STATES[STATE_NAMES[UNKNOWN]]: Look("hatch", "state unknown"),
    wording.NO_RECORDS: Look("hatch", "gap"),
}


def chart_svg(chart: Chart, clock: Clock, key: str, width: float = WIDTH) -> str:
    """key: unique within the page, a valid id."""
    peak = chart.highest_mbps
    plot = PLOT if peak >= wording.HARDLY_USED * chart.capacity_mbps else LOW_PLOT
    load_y = TOP + plot + 30
    state_y = load_y + STRIP + 6
    legend_y = state_y + STRIP + 8
    frame = Frame(
        key, chart.start_ms, chart.end_ms, chart.capacity_mbps, highest_share(peak, chart.capacity_mbps),
        height=legend_y, plot=plot, width=width,
    )  # fmt: skip
    legend, height = _legend(frame, _unnamed(frame, chart), legend_y)
    frame = replace(frame, height=legend_y + height)
    return frame.picture(
        wording.chart_title(chart.link, chart.direction),
        wording.chart_description(chart, clock),
        _patterns(key),
        _window(frame, chart),
        frame.rules(clock),
        gaps(frame, chart),
        _rates(frame, chart),
        _window_edges(frame, chart),
        frame.plan_label(),
        _load(frame, chart, load_y),
        _state(frame, chart, state_y),
        legend,
    )


def _look(frame: Frame, name: str) -> dict[str, str]:
    """Attributes of a kind of mark."""
    look = LOOKS[name]
    return {"class_": look.classes} | ({"fill": frame.fill(look.fill)} if look.fill else {})


def _unnamed(frame: Frame, chart: Chart) -> list[str]:
    """Kinds of marks of which none is wide enough for its name."""
    spans: dict[str, list[Span]] = {wording.FULL: list(chart.full), wording.BUSY: list(chart.busy)}
    for state in chart.states:
        spans.setdefault(wording.STATES[state.state], []).append((state.start_ms, state.end_ms))
    spans[wording.NO_RECORDS] = list(chart.gaps)
    return [
        name
        for name in LOOKS
        if spans.get(name) and not any(frame.has_room(span, name) for span in spans[name])
    ]


def _legend(frame: Frame, names: Sequence[str], y: float) -> tuple[str, float]:
    """Names of kinds of marks beside a piece of each, and how high that is; nothing for no names."""
    drawn, x, top = [], LEFT, y
    for name in names:
        wide = SWATCH + SWATCH_GAP + CHARACTER * len(name)
        if x > LEFT and x + wide > frame.right:
            x, top = LEFT, top + LEGEND_ROW
        drawn.append(element("rect", x=x, y=top, width=SWATCH, height=SWATCH, **_look(frame, name)))
        drawn.append(label(name, x + SWATCH + SWATCH_GAP, top + 11))
        x += wide + SWATCH
    return "".join(drawn), top + LEGEND_ROW - y if drawn else 0.0


def _patterns(key: str) -> str:
    return element(
        "defs",
        hatch(key),
        pattern(f"{key}-dots", "ink", 6, element("circle", cx=3, cy=3, r=1.1, class_="dot")),
        pattern(f"{key}-full", "full", 7, element("path", d="M0 0H7V7H0Z", class_="ground"),
                element("path", d="M0 7L7 0", class_="stroke")),
        pattern(f"{key}-busy", "busy", 7, element("path", d="M0 0H7V7H0Z", class_="ground"),
                element("circle", cx=3.5, cy=3.5, r=1, class_="dot")),
    )  # fmt: skip


def hatch(key: str) -> str:
    """The fill of what is not known."""
    return pattern(f"{key}-hatch", "ink", 6, element("path", d="M0 6L6 0", class_="stroke"))


def _window(frame: Frame, chart: Chart) -> str:
    span = chart.asked_ms
    if span is None:
        return ""
    shade = frame.strip(span, TOP - 6, frame.plot + 6, class_="window")
    return shade + frame.head_label(wording.ASKED, span[0])


def _window_edges(frame: Frame, chart: Chart) -> str:
    """Drawn over the rates, which would hide them."""
    return "".join(
        element("line", x1=frame.x(ms), y1=TOP - 6, x2=frame.x(ms), y2=frame.bottom, class_="edge")
        for ms in chart.asked_ms or ()
    )


def gaps(frame: Frame, chart: Chart) -> str:
    """Where nothing is known. Needs the fill of hatch()."""
    return "".join(
        frame.labelled_strip(span, TOP, frame.plot, wording.NO_RECORDS, **_look(frame, wording.NO_RECORDS))
        for span in chart.gaps
    )


def _rates(frame: Frame, chart: Chart) -> str:
    """Area and line of the means; a dotted line of the highest minutes where a step has several."""
    drawn = []
    for known, (start, end) in chart.stretches:
        if not known:
            continue
        first = (start - chart.start_ms) // chart.step_ms
        past = (end - chart.start_ms) // chart.step_ms
        means = stairs(frame, [rate or 0.0 for rate in chart.rates[first:past]], start, chart.step_ms)
        floor = [(means[-1][0], frame.bottom), (means[0][0], frame.bottom)]
        drawn.append(element("path", d=path([*means, *floor], closed=True), class_="area"))
        if chart.step_ms > MINUTE_MS:
            peaks = stairs(frame, [rate or 0.0 for rate in chart.peaks[first:past]], start, chart.step_ms)
            drawn.append(element("path", d=path(peaks), class_="peaks"))
        drawn.append(element("path", d=path(means), class_="rate"))
    return "".join(drawn)


def _load(frame: Frame, chart: Chart, y: float) -> str:
    marks = [label(wording.LOAD, LEFT - 8, y + 12, text_anchor="end")]
    marks.append(frame.strip((chart.start_ms, chart.end_ms), y, STRIP, class_="track"))
    for name, spans in ((wording.BUSY, chart.busy), (wording.FULL, chart.full)):
        marks += [frame.labelled_strip(span, y, STRIP, name, **_look(frame, name)) for span in spans]
    return "".join(marks)


def _state(frame: Frame, chart: Chart, y: float) -> str:
    marks = [label(wording.STATE, LEFT - 8, y + 12, text_anchor="end")]
    marks.append(frame.strip((chart.start_ms, chart.end_ms), y, STRIP, class_="track"))
    named = [((span.start_ms, span.end_ms), wording.STATES[span.state]) for span in chart.states]
    if len(named) <= MANY_STATES:
        marks += [frame.labelled_strip(span, y, STRIP, name, **_look(frame, name)) for span, name in named]
        return "".join(marks)
    for name in LOOKS:
        spans = [span for span, its in named if its == name and not frame.has_room(span, name)]
        if spans:
            marks.append(element("path", d=strips(frame, spans, y, STRIP), **_look(frame, name)))
    marks += [
        frame.labelled_strip(span, y, STRIP, name, **_look(frame, name))
        for span, name in named
        if frame.has_room(span, name)
    ]
    return "".join(marks)
