"""The note as one HTML file: no script, nothing fetched, a policy that forbids both; with pictures in SVG."""

from __future__ import annotations

import hashlib
from base64 import b64encode
from functools import cache
from pathlib import Path
from typing import Any, Final, NamedTuple

from msgspec.structs import replace

from flowdiag.note import comparison, figures
from flowdiag.note.brief import Brief, shortened
from flowdiag.note.lead import lead
from flowdiag.note.model import Chart, Note
from flowdiag.note.templates import templates_in
from flowdiag.text.clock import Clock
from flowdiag.text.wording import brief as brief_words
from flowdiag.text.wording import comparison as comparing
from flowdiag.text.wording import note as wording
from flowdiag.text.wording.figures import LINK_COLUMNS
from flowdiag.text.wording.pictures import PICTURE_LEGEND, chart_title, stack_title

_FOLDER: Final = Path(__file__).parent
# A printed short form has letters as small as one page of A4 or Letter needs: up to so many lines of LINE characters each, its
# class in note.css. Measured in Chromium; a heading takes as much as HEADING_LINES.
LINE: Final = 110
HEADING_LINES: Final = 2
PRINT_SIZES: Final = (("normal", 29), ("small", 36), ("smaller", 46))
SMALLEST: Final = "smallest"


def render(note: Note) -> str:
    """Every text of the note passes jinja2's autoescape; only the project's own SVG is markup."""
    return _whole(note, _Drawn(note))


class Parts(NamedTuple):
    """A note's pieces as markup for a page that has pictures.css and note.css, and the whole file. lead: its pictures that
    come first, the rate of the link that matters and who used it; beside: those of the time asked about and of another."""

    client: str
    lead: tuple[Picture, ...]
    beside: tuple[Picture, ...]
    engineer: str
    whole: str


def parts(note: Note) -> Parts:
    """The pieces, for a page that puts something between them: the engineer's part is without the pictures that are given."""
    drawn = _Drawn(note)
    without = {**_engineer(note, drawn), "beside": []}
    return Parts(
        _page("client_part.html", note),
        tuple(drawn.lead),
        tuple(drawn.beside),
        _page("engineer_part.html", note, lead=[], **without),
        _whole(note, drawn),
    )


class _Drawn:
    """The pictures of a note, drawn once: those that lead, the others, and those of another time."""

    def __init__(self, note: Note) -> None:
        drawn = [_as_markup(picture) for picture in pictures(note)]
        leading = 1 if note.stack is None else 2
        self.lead, self.others = drawn[:leading], drawn[leading:]
        self.beside = [_as_markup(picture) for picture in pictures_beside(note)]


def _whole(note: Note, drawn: _Drawn) -> str:
    return _page("note.html", note, lead=drawn.lead, **_engineer(note, drawn))


def _engineer(note: Note, drawn: _Drawn) -> dict[str, Any]:
    """What the engineer's part shows beside the pictures that lead."""
    return {
        "figures": figures,
        "link_columns": LINK_COLUMNS,
        "pictures": drawn.others,
        "comparison": comparison,
        "comparing": comparing,
        "beside": drawn.beside,
        "rankings": [
            (wording.TALKERS, wording.ADDRESS, note.talkers),
            (wording.APPLICATIONS, wording.APPLICATION, note.applications),
            (wording.DESTINATIONS, wording.ADDRESS, note.destinations),
        ],
        "lists": [
            (wording.CAUTIONS, note.cautions),
            (wording.METHOD, note.method),
            (wording.UNSEEN, note.unseen),
        ],
    }


@cache
def page_style() -> str:
    """The style of a page with pictures: theirs, then the page's."""
    return "".join((_FOLDER / name).read_text(encoding="utf-8") for name in ("pictures.css", "note.css"))


def render_brief(note: Note) -> str:
    """The short form, which prints on one page."""
    short = shortened(note)
    drawn = [_as_markup(chart_picture(chart, note.clock, 1)) for chart in short.note.charts]
    return _page(
        "brief.html", short.note, brief=short, brief_words=brief_words, size=print_size(short), lead=drawn
    )


def render_client(note: Note) -> str:
    """The client's part with the picture of the rate, which prints on one page."""
    short = shortened(note)
    drawn = [_as_markup(chart_picture(chart, note.clock, 1)) for chart in short.note.charts]
    size = print_size(replace(short, sections=()))
    return _page("client_page.html", short.note, size=size, lead=drawn)


def print_size(short: Brief) -> str:
    """The class that has the letters of a printed short form as small as its length needs."""
    client = short.note.client
    told = [client.told, *client.saw, client.means, *client.next]
    told += [sentence for section in short.sections for sentence in section.sentences]
    lines = sum(-(-len(text) // LINE) for text in told) + HEADING_LINES * len(short.sections)
    return next((name for name, most in PRINT_SIZES if lines <= most), SMALLEST)


def _page(template: str, note: Note, **content: Any) -> str:
    from markupsafe import Markup

    style = page_style()
    return (
        templates_in(_FOLDER)
        .get_template(template)
        .render(
            note=note,
            wording=wording,
            clock=note.clock,
            style=Markup(style),
            policy=policy(style),
            picture_legend=PICTURE_LEGEND,
            **content,
        )
    )


class Picture(NamedTuple):
    """The same picture twice in SVG, for a page and for a phone; one of them is shown."""

    title: str
    wide: str
    narrow: str


def pictures(note: Note) -> list[Picture]:
    """The leading chart, who used its link, then the other charts."""
    from flowdiag.note.svg import NARROW
    from flowdiag.note.svg_stack import stack_svg

    first = lead(note)
    charts = sorted(enumerate(note.charts, 1), key=lambda numbered: numbered[1] is not first)
    drawn = [chart_picture(chart, note.clock, number) for number, chart in charts]
    if note.stack is not None:
        users = Picture(
            stack_title(note.stack.chart.link, note.stack.chart.direction),
            stack_svg(note.stack, note.clock, "stack"),
            stack_svg(note.stack, note.clock, "narrow-stack", NARROW),
        )
        drawn.insert(1, users)
    return drawn


def pictures_beside(note: Note) -> list[Picture]:
    """The time asked about and the one compared with it, on axes of one length; none where no other was asked for."""
    charts = note.beside.charts if note.beside else ()
    return [
        chart_picture(chart, note.clock, number, comparing.chart_title(chart, note.clock))
        for number, chart in enumerate(charts, len(note.charts) + 1)
    ]


def chart_picture(chart: Chart, clock: Clock, number: int, title: str | None = None) -> Picture:
    """number: of the chart within the page; title: link and direction for None."""
    from flowdiag.note.svg import NARROW
    from flowdiag.note.svg_chart import chart_svg

    return Picture(
        title or chart_title(chart.link, chart.direction),
        chart_svg(chart, clock, f"chart{number}"),
        chart_svg(chart, clock, f"narrow{number}", NARROW),
    )


def _as_markup(picture: Picture) -> Picture:
    """For the page: the svg functions escape all text that they are given (escape.html)."""
    from markupsafe import Markup

    return Picture(picture.title, Markup(picture.wide), Markup(picture.narrow))


def policy(style: str) -> str:
    """A Content-Security-Policy (CSP level 3): nothing runs, nothing is fetched, this one style applies."""
    digest = b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"


def compile_templates() -> None:
    """So that the first note of a process is as quick as the next."""
    for name in ("note.html", "brief.html", "client_part.html", "engineer_part.html"):
        templates_in(_FOLDER).get_template(name)
