"""Pictures of a review as markup: the week as a heat map, and the trend with its interval."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Final, NamedTuple

from flowdiag.note.svg import element, number, text_element
from flowdiag.review.flow_days import day_date
from flowdiag.review.link_figures import LinkFigures
from flowdiag.review.trend import DAYS_A_MONTH, Trend
from flowdiag.text.clock import SHORT_DAYS, SHORT_MONTHS
from flowdiag.text.figures import RATE_UNIT, plain_rate
from flowdiag.text.wording import review_pages as wording

HEIGHT: Final = 240.0
LEFT, RIGHT, TOP, BOTTOM = 64.0, 14.0, 16.0, 30.0
# How far the trend is drawn beyond the days it was read off.
AHEAD_DAYS: Final = 90
_TICKS: Final = 4
# Classes of a cell by the share of the plan, beside those of the thresholds.
_SOME, _HALF = 0.25, 0.5


class Cell(NamedTuple):
    """text: whole per cent of the plan; kind: class of review.css."""

    text: str
    kind: str


def week_table(figures: LinkFigures, busy: float, full: float) -> list[tuple[str, list[Cell]]]:
    """One row a weekday, with a cell for each hour."""
    table = []
    for weekday, name in enumerate(SHORT_DAYS):
        shares = figures.week[24 * weekday : 24 * weekday + 24]
        table.append((name, [_cell(share, busy, full) for share in shares]))
    return table


def _cell(share: float | None, busy: float, full: float) -> Cell:
    if share is None:
        return Cell("–", "unknown")
    kinds = ((full, "full"), (busy, "busy"), (_HALF, "half"), (_SOME, "some"))
    kind = next((kind for least, kind in kinds if share >= least), "little")
    return Cell(f"{100 * share:.0f}", kind)


class _Frame(NamedTuple):
    first: int
    last: int
    top_mbps: float
    width: float

    @property
    def right(self) -> float:
        return self.width - RIGHT

    def x(self, day: float) -> float:
        return LEFT + (day - self.first) / max(self.last - self.first, 1) * (self.right - LEFT)

    def y(self, mbps: float) -> float:
        part = min(max(mbps / self.top_mbps, 0.0), 1.0)
        return TOP + (1.0 - part) * (HEIGHT - TOP - BOTTOM)


def trend_svg(figures: LinkFigures, trend: Trend, busy: float, title: str, width: float) -> str:
    """The days' percentiles, the line through them with its interval and AHEAD_DAYS more, the plan and the threshold."""
    top = max(figures.capacity_mbps * 1.05, *trend.points)
    frame = _Frame(trend.days[0], trend.days[-1] + AHEAD_DAYS, top, width)
    limit = busy * figures.capacity_mbps
    parts = [_band(frame, trend), *_rules(frame, figures.capacity_mbps)]
    for mbps, kind, label in (
        (figures.capacity_mbps, "plan", wording.plan(plain_rate(figures.capacity_mbps))),
        (limit, "threshold", wording.busy_from(plain_rate(limit))),
    ):
        y = frame.y(mbps)
        parts.append(element("line", x1=LEFT, y1=y, x2=frame.right, y2=y, class_=kind))
        parts.append(text_element(label, frame.right - 4, y - 4, "halo", text_anchor="end"))
    parts += [
        element("circle", cx=frame.x(day), cy=frame.y(mbps), r=2.5, class_="point")
        for day, mbps in zip(trend.days, trend.points, strict=True)
    ]
    parts.append(_line(frame, trend, trend.slope, "trend"))
    described = wording.trend_description(title, len(trend.days), trend)
    return element(
        "svg", element("title", _escaped(title)), element("desc", _escaped(described)), *parts,
        viewBox=f"0 0 {number(width)} {number(HEIGHT)}", class_="picture", role="img", aria_label=title,
    )  # fmt: skip


def _escaped(text: str) -> str:
    from flowdiag.text.escape import html

    return html(text)


def _at(trend: Trend, slope: float, day: float) -> float:
    return trend.middle[1] + slope / DAYS_A_MONTH * (day - trend.middle[0])


def _line(frame: _Frame, trend: Trend, slope: float, kind: str) -> str:
    ends = [(frame.x(day), frame.y(_at(trend, slope, day))) for day in (frame.first, frame.last)]
    return element("line", x1=ends[0][0], y1=ends[0][1], x2=ends[1][0], y2=ends[1][1], class_=kind)


def _band(frame: _Frame, trend: Trend) -> str:
    """Between the slopes of the interval's ends, on both sides of the line's middle."""
    middle = trend.middle[0]
    days = (frame.first, middle, frame.last)
    upper = [max(_at(trend, trend.low, day), _at(trend, trend.high, day)) for day in days]
    lower = [min(_at(trend, trend.low, day), _at(trend, trend.high, day)) for day in days]
    corners = [*zip(days, upper, strict=True), *reversed(list(zip(days, lower, strict=True)))]
    points = " ".join(f"{number(frame.x(day))},{number(frame.y(mbps))}" for day, mbps in corners)
    return element("polygon", points=points, class_="interval")


def _rules(frame: _Frame, capacity: float) -> list[str]:
    """Grid lines with their rates on the left, and months below."""
    parts = [text_element(RATE_UNIT, LEFT - 8, TOP - 4, text_anchor="end")]
    for step in range(_TICKS + 1):
        y = frame.y(capacity * step / _TICKS)
        kind = "axis" if step == 0 else "grid"
        parts.append(element("line", x1=LEFT, y1=y, x2=frame.right, y2=y, class_=kind))
        if step < _TICKS:
            parts.append(
                text_element(plain_rate(capacity * step / _TICKS), LEFT - 8, y + 4, text_anchor="end")
            )
    for first in _months(day_date(frame.first), day_date(frame.last)):
        x = frame.x((first - date(1970, 1, 1)).days)
        parts.append(element("line", x1=x, y1=HEIGHT - BOTTOM, x2=x, y2=HEIGHT - BOTTOM + 5, class_="axis"))
        anchor = "end" if x > frame.right - 30 else "middle"
        parts.append(text_element(SHORT_MONTHS[first.month - 1], x, HEIGHT - 8, text_anchor=anchor))
    return parts


def _months(begin: date, end: date) -> list[date]:
    """The first days of months in [begin, end]."""
    found = []
    month = begin.replace(day=1)
    while month <= end:
        if month >= begin:
            found.append(month)
        month = (month + timedelta(days=32)).replace(day=1)
    return found
