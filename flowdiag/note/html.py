"""The note as one HTML file: no script, nothing fetched, a policy that forbids both; with pictures in SVG."""

from __future__ import annotations

import hashlib
from base64 import b64encode
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from flowdiag.note import comparison, figures
from flowdiag.note import wording as words
from flowdiag.note import wording_comparison as comparing
from flowdiag.note.model import Chart, Note
from flowdiag.note.wording_figures import LINK_COLUMNS
from flowdiag.note.wording_pictures import PICTURE_LEGEND, chart_title, stack_title

if TYPE_CHECKING:
    from jinja2 import Environment

_FOLDER: Final = Path(__file__).parent


def render(note: Note) -> str:
    """Every text of the note passes jinja2's autoescape; only the project's own SVG is markup."""
    from markupsafe import Markup

    clock = note.clock
    style = (_FOLDER / "note.css").read_text(encoding="utf-8")
    # The svg functions escape all text that they are given (escape.html).
    drawn = [Picture(title, Markup(wide), Markup(narrow)) for title, wide, narrow in pictures(note)]
    beside = [Picture(title, Markup(wide), Markup(narrow)) for title, wide, narrow in pictures_beside(note)]
    leading = 1 if note.stack is None else 2
    page = _environment().get_template("note.html")
    return page.render(
        note=note,
        words=words,
        figures=figures,
        link_columns=LINK_COLUMNS,
        picture_legend=PICTURE_LEGEND,
        clock=clock,
        style=Markup(style),
        policy=policy(style),
        lead=drawn[:leading],
        pictures=drawn[leading:],
        comparison=comparison,
        comparing=comparing,
        beside=beside,
        rankings=[
            (words.TALKERS, words.ADDRESS, note.talkers),
            (words.APPLICATIONS, words.APPLICATION, note.applications),
            (words.DESTINATIONS, words.ADDRESS, note.destinations),
        ],
        lists=[(words.CAUTIONS, note.cautions), (words.METHOD, note.method), (words.UNSEEN, note.unseen)],
    )


class Picture(NamedTuple):
    """The same picture twice in SVG, for a page and for a phone; one of them is shown."""

    title: str
    wide: str
    narrow: str


def pictures(note: Note) -> list[Picture]:
    """The verdict's link and direction or else the fullest, who used it, then the others."""
    from flowdiag.note.svg import NARROW
    from flowdiag.note.svg_chart import chart_svg
    from flowdiag.note.svg_stack import stack_svg

    clock = note.clock
    drawn = [
        Picture(
            chart_title(chart.link, chart.direction),
            chart_svg(chart, clock, f"chart{number}"),
            chart_svg(chart, clock, f"narrow{number}", NARROW),
        )
        for number, chart in enumerate(note.charts, 1)
    ]
    if not drawn:
        return []
    finding = note.verdict.finding
    about: tuple[str | None, str | None] = (finding.link, finding.direction) if finding else (None, None)
    if note.stack is not None:
        about = (note.stack.chart.link, note.stack.chart.direction)
    order = sorted(
        range(len(drawn)),
        key=lambda at: (
            (note.charts[at].link, note.charts[at].direction) != about,
            -fullness(note.charts[at]),
            at,
        ),
    )
    lead = drawn.pop(order[0])
    stacked = (
        []
        if note.stack is None
        else [
            Picture(
                stack_title(note.stack.chart.link, note.stack.chart.direction),
                stack_svg(note.stack, clock, "stack"),
                stack_svg(note.stack, clock, "narrow-stack", NARROW),
            )
        ]
    )
    return [lead, *stacked, *drawn]


def pictures_beside(note: Note) -> list[Picture]:
    """The time asked about and the one it is compared with."""
    from flowdiag.note.svg import NARROW
    from flowdiag.note.svg_chart import chart_svg

    clock = note.clock
    return [
        Picture(
            comparing.chart_title(chart, clock),
            chart_svg(chart, clock, f"beside{number}"),
            chart_svg(chart, clock, f"narrow-beside{number}", NARROW),
        )
        for number, chart in enumerate(note.beside.charts if note.beside else (), 1)
    ]


def fullness(chart: Chart) -> float:
    """The highest minute as a share of the plan."""
    return max((peak for peak in chart.peaks if peak is not None), default=0.0) / chart.capacity_mbps


def policy(style: str) -> str:
    """A Content-Security-Policy (CSP level 3): nothing runs, nothing is fetched, this one style applies."""
    digest = b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"


def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
