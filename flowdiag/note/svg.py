"""Small pieces of SVG as text: elements, numbers, and the frame that the pictures of a note share.

Colours and strokes are classes of pictures.css, so that light, dark and print each have their own. Every kind of
mark differs by pattern, dash or label too, never by colour alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from msgspec import Struct

from flowdiag.durations import Span
from flowdiag.note.axis import LEFT, RIGHT, time_ticks
from flowdiag.text.clock import Clock
from flowdiag.text.escape import html
from flowdiag.text.figures import RATE_UNIT, plain_rate
from flowdiag.text.wording import pictures as words_of_pictures

WIDTH: Final = 680.0
NARROW: Final = 336.0  # for a phone, where the wide one would shrink to unreadable letters
TOP: Final = 38.0  # two rows of labels
PLOT: Final = 150.0
LOW_PLOT: Final = 40.0  # for a link that carried next to nothing
# A character of the labels is about so wide (12 px sans serif); decides whether a label fits its mark.
CHARACTER: Final = 6.4
STYLE: Final = Path(__file__).with_name("pictures.css")
# Room that a tick of the axis wants: one that may name a day, and one of times alone.
_DAY_TICK: Final = 68.0
_TIME_TICK: Final = 52.0
_GRID_PARTS: Final = 4


def element(name: str, *content: str, **attributes: str | float) -> str:
    """One element. content is markup already; attribute values are escaped, and aria_label is aria-label."""
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{_value(value)}"' for key, value in attributes.items()
    )
    return f"<{name}{written}>{''.join(content)}</{name}>" if content else f"<{name}{written}/>"


def _value(value: str | float) -> str:
    return html(value, longest=len(value)) if isinstance(value, str) else number(value)


def number(value: float) -> str:
    """At most two decimals, as few as need be."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def text_element(text: str, x: float, y: float, kind: str = "", **attributes: str | float) -> str:
    return element("text", html(text), x=x, y=y, class_=f"label {kind}".strip(), **attributes)


class Frame(Struct, frozen=True):
    """Where times and rates lie in a picture. key: what the ids of this picture begin with.

    scale_mbps: where the last grid line is, the plan's rate unless that is out of sight.
    """

    key: str
    start_ms: int
    end_ms: int
    capacity_mbps: float
    top_share: float
    height: float
    plot: float = PLOT
    width: float = WIDTH
    scale: float | None = None

    @property
    def bottom(self) -> float:
        return TOP + self.plot

    @property
    def right(self) -> float:
        return self.width - RIGHT

    @property
    def scale_mbps(self) -> float:
        return self.capacity_mbps if self.scale is None else self.scale

    def x(self, ms: float) -> float:
        part = (ms - self.start_ms) / (self.end_ms - self.start_ms)
        return LEFT + min(max(part, 0.0), 1.0) * (self.right - LEFT)

    def y(self, mbps: float) -> float:
        part = mbps / (self.scale_mbps * self.top_share)
        return TOP + self.plot * (1.0 - min(max(part, 0.0), 1.0))

    def strip(self, span: Span, y: float, height: float, **attributes: str | float) -> str:
        """A rectangle over a span of time."""
        left, right = self.x(span[0]), self.x(span[1])
        return element("rect", x=left, y=y, width=max(right - left, 1.0), height=height, **attributes)

    def has_room(self, span: Span, label: str) -> bool:
        """Whether a label fits into a strip over a span of time."""
        return self.x(span[1]) - self.x(span[0]) >= CHARACTER * len(label) + 6

    def labelled_strip(
        self, span: Span, y: float, height: float, label: str, **attributes: str | float
    ) -> str:
        """The same with its label inside, where there is room for it."""
        left, right = self.x(span[0]), self.x(span[1])
        strip = self.strip(span, y, height, **attributes)
        if not self.has_room(span, label):
            return strip
        middle, base = (left + right) / 2, y + height / 2 + 4
        return strip + text_element(label, middle, base, "on-mark", text_anchor="middle")

    def fill(self, name: str) -> str:
        """Reference to a pattern of this picture."""
        return f"url(#{self.key}-{name})"

    def rules(self, clock: Clock) -> str:
        """Grid lines with their rates on the left and round times below."""
        parts = [text_element(RATE_UNIT, LEFT - 8, TOP - 14, text_anchor="end")]
        grid = _GRID_PARTS if self.plot == PLOT else 1
        for step in range(grid + 1):
            mbps = self.scale_mbps * step / grid
            y = self.y(mbps)
            kind = "plan" if mbps == self.capacity_mbps else "axis" if step == 0 else "grid"
            parts.append(element("line", x1=LEFT, y1=y, x2=self.right, y2=y, class_=kind))
            parts.append(text_element(plain_rate(mbps), LEFT - 8, y + 4, text_anchor="end"))
        room = _TIME_TICK if clock.same_day(self.start_ms, self.end_ms) else _DAY_TICK
        most = int((self.right - LEFT) / room)
        for ms, label in time_ticks(clock, self.start_ms, self.end_ms, most):
            x = self.x(ms)
            parts.append(element("line", x1=x, y1=self.bottom, x2=x, y2=self.bottom + 5, class_="axis"))
            anchor = "start" if x < LEFT + 20 else "end" if x > self.right - 20 else "middle"
            parts.append(text_element(label, x, self.bottom + 18, text_anchor=anchor))
        return "".join(parts)

    def plan_label(self) -> str:
        text = words_of_pictures.plan(self.capacity_mbps, out_of_sight=self.scale is not None)
        return text_element(text, self.right - 4, self.y(self.scale_mbps) - 5, "halo", text_anchor="end")

    def head_label(self, text: str, ms: float) -> str:
        """A label in the topmost row that begins at a time, or as near as the picture's edge lets it."""
        x = min(self.x(ms) + 4, self.right - CHARACTER * len(text))
        return text_element(text, x, TOP - 26)

    def picture(self, title: str, description: str, *content: str) -> str:
        """The whole image with its title and description for those who cannot see it."""
        return element(
            "svg",
            element("title", html(title), id=f"{self.key}-title"),
            element("desc", html(description), id=f"{self.key}-desc"),
            *content,
            xmlns="http://www.w3.org/2000/svg",
            viewBox=f"0 0 {number(self.width)} {number(self.height)}",
            role="img",
            aria_labelledby=f"{self.key}-title {self.key}-desc",
            class_="picture",
        )


def pattern(key: str, kind: str, size: float, *content: str) -> str:
    """A fill of the picture's own."""
    return element(
        "pattern", *content, id=key, width=size, height=size, patternUnits="userSpaceOnUse", class_=kind
    )


def stairs(frame: Frame, rates: Sequence[float], start_ms: int, step_ms: int) -> list[tuple[float, float]]:
    """Corners of a step curve: each rate holds for its whole step."""
    points = []
    for at, rate in enumerate(rates):
        y = frame.y(rate)
        points += [(frame.x(start_ms + at * step_ms), y), (frame.x(start_ms + (at + 1) * step_ms), y)]
    return points


def path(points: Sequence[tuple[float, float]], *, closed: bool = False) -> str:
    """The data of a path through the points."""
    drawn = "L".join(f"{number(x)} {number(y)}" for x, y in points)
    return f"M{drawn}{'Z' if closed else ''}"


def strips(frame: Frame, spans: Sequence[Span], y: float, height: float) -> str:
    """The data of a path of rectangles over spans of time."""
    drawn = []
    for start, end in spans:
        left = frame.x(start)
        wide = number(max(frame.x(end) - left, 1.0))
        drawn.append(f"M{number(left)} {number(y)}h{wide}v{number(height)}h-{wide}z")
    return "".join(drawn)


def standing_alone(svg: str) -> str:
    """A picture as a file of its own, with the style that the page would give it, light or dark."""
    style = STYLE.read_text(encoding="utf-8")
    ground = '<rect width="100%" height="100%" style="fill: var(--paper)"/>'
    return svg.replace("</desc>", f"</desc><style>{style}</style>{ground}", 1) + "\n"
