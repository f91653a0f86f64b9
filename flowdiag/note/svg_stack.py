"""Who used a link direction during the main finding, as stacked areas in SVG with a legend of their names."""

from __future__ import annotations

from typing import Final

from flowdiag.note.axis import LEFT, highest_share, low_scale
from flowdiag.note.model import Stack
from flowdiag.note.svg import PLOT, TOP, WIDTH, Frame, element, path, pattern, stairs
from flowdiag.note.svg import text_element as label
from flowdiag.note.svg_chart import LEGEND_ROW, SWATCH, SWATCH_GAP, gaps, hatch
from flowdiag.text.clock import Clock
from flowdiag.text.wording import pictures as wording

# One pattern for each layer, so that they differ without colour too.
_PATTERNS: Final = ("M0 0H8V8H0Z", "M0 8L8 0", "M0 0L8 8", "M0 4H8", "M4 0V8", "M0 4H8M4 0V8")

_OTHERS: Final = len(_PATTERNS) - 1


def stack_svg(stack: Stack, clock: Clock, key: str, width: float = WIDTH) -> str:
    """key: unique within the page, a valid id."""
    chart = stack.chart
    totals = [0.0] * len(chart.rates)
    edges = [totals]
    for layer in stack.layers:
        totals = [below + rate for below, rate in zip(totals, layer.rates, strict=True)]
        edges.append(totals)
    legend_y = TOP + PLOT + 34
    frame = Frame(
        key, chart.start_ms, chart.end_ms, chart.capacity_mbps,
        highest_share(max(totals), chart.capacity_mbps), height=legend_y + LEGEND_ROW * len(stack.layers),
        width=width, scale=low_scale(max(totals), chart.capacity_mbps),
    )  # fmt: skip
    areas, legend = [], []
    kinds = [_OTHERS if layer.name == wording.OTHERS else at for at, layer in enumerate(stack.layers)]
    for at, layer in enumerate(stack.layers):
        upper = stairs(frame, edges[at + 1], chart.start_ms, chart.step_ms)
        lower = stairs(frame, edges[at], chart.start_ms, chart.step_ms)
        fill = {"fill": frame.fill(f"layer{kinds[at]}"), "class_": "layer"}
        areas.append(element("path", d=path([*upper, *reversed(lower)], closed=True), **fill))
        y = legend_y + LEGEND_ROW * at
        legend.append(element("rect", x=LEFT, y=y, width=SWATCH, height=SWATCH, **fill))
        legend.append(label(_cut(layer.name, width), LEFT + SWATCH + SWATCH_GAP, y + 11))
    patterns = (
        pattern(
            f"{key}-layer{kind}", f"layer{kind}", 8,
            element("path", d="M0 0H8V8H0Z", class_="ground"),
            element("path", d=_PATTERNS[kind], class_="stroke"),
        )
        for kind in kinds
    )  # fmt: skip
    marks = "".join(
        element("line", x1=frame.x(ms), y1=TOP - 6, x2=frame.x(ms), y2=frame.bottom, class_="edge")
        for ms in stack.edges_ms
    )
    return frame.picture(
        wording.stack_title(chart.link, chart.direction),
        wording.stack_description(stack, clock),
        element("defs", hatch(key), *patterns),
        frame.rules(clock),
        *areas,
        gaps(frame, chart),
        marks,
        frame.head_label(wording.FINDING_1, stack.episode_ms[0]),
        frame.plan_label(),
        *legend,
    )


def _cut(name: str, width: float) -> str:
    most = int((width - LEFT - 2 * SWATCH) / 8)
    return name if len(name) <= most else name[: most - 1] + "…"
