"""The reliability picture: for each verdict and confidence the share right with its interval, beside what is claimed.

The axis is one of errors: each grid line has a tenth of the errors of the one before, so that 99 and 99.9 % stand apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log10
from typing import Final

from flowdiag.note.svg import WIDTH, Frame, element, standing_alone, text_element
from tests.scenarios.calibration import HIGH_RIGHT, MEDIUM_RIGHT, Row

CLAIMED: Final = {"high": HIGH_RIGHT, "medium": MEDIUM_RIGHT}
LEFT: Final = 210.0
RIGHT: Final = 76.0
TOP: Final = 44.0
ROW: Final = 20.0
FEWEST_WRONG: Final = 0.0003  # the right edge; no error at all is drawn there
TICKS: Final = (0.5, 0.9, 0.99, 0.999, 1.0)
MOST_WRONG: Final = 0.7
KEY: Final = "reliability"


def place(share: float) -> float:
    """Where a share right lies on the axis."""
    wrong = min(max(1.0 - share, FEWEST_WRONG), MOST_WRONG)
    part = (log10(MOST_WRONG) - log10(wrong)) / (log10(MOST_WRONG) - log10(FEWEST_WRONG))
    return LEFT + part * (WIDTH - LEFT - RIGHT)


def reliability_svg(rows: Sequence[Row]) -> str:
    """An SVG that stands alone."""
    bottom = TOP + ROW * len(rows) + 6
    frame = Frame(KEY, 0, 1, 1.0, 1.0, height=bottom + 30)
    parts = [
        text_element("verdict and confidence", 8, TOP - 14),
        text_element("share right, with its 95 % interval; dashed: what is claimed", LEFT, TOP - 28),
    ]
    for share in TICKS:
        x = place(share)
        parts.append(element("line", x1=x, y1=TOP - 6, x2=x, y2=bottom, class_="grid"))
        parts.append(text_element(f"{share * 100:g} %", x, bottom + 18, text_anchor="middle"))
    parts += [_row(row, TOP + ROW * number + ROW / 2) for number, row in enumerate(rows)]
    description = "; ".join(
        f"{row.code} {row.confidence}: {row.right} of {row.draws} right, {row.share:.1%}" for row in rows
    )
    return standing_alone(frame.picture("Confidence against the share right", description, *parts))


def _row(row: Row, y: float) -> str:
    low, high = row.interval
    marks = [
        text_element(f"{row.code}, {row.confidence}", 8, y + 4, "strong" if row.code == "all" else ""),
        text_element(f"n {row.draws}", WIDTH - RIGHT + 8, y + 4),
        element("line", x1=place(low), y1=y, x2=place(high), y2=y, class_="rate"),
        element("circle", cx=place(row.share), cy=y, r=4 if row.code == "all" else 3, class_="area"),
        element("circle", cx=place(row.share), cy=y, r=4 if row.code == "all" else 3, class_="rate"),
    ]
    if row.confidence in CLAIMED:
        x = place(CLAIMED[row.confidence])
        marks.append(element("line", x1=x, y1=y - 8, x2=x, y2=y + 8, class_="plan"))
    return "".join(marks)
