"""The note as one HTML file: no script, nothing fetched, a policy that forbids both; with pictures in SVG."""

from __future__ import annotations

import hashlib
from base64 import b64encode
from pathlib import Path
from typing import TYPE_CHECKING, Final

from flowdiag.note import figures
from flowdiag.note import wording as words
from flowdiag.note.clock import Clock
from flowdiag.note.model import Note

if TYPE_CHECKING:
    from jinja2 import Environment

_FOLDER: Final = Path(__file__).parent
_NAMED: Final = ("Address", "Name", "Volume", "Share", "Flows")
_UNNAMED: Final = ("Application", "Volume", "Share", "Flows")


def render(note: Note) -> str:
    """Every text of the note passes jinja2's autoescape; only the project's own SVG is markup."""
    from markupsafe import Markup

    from flowdiag.note.svg_chart import chart_svg
    from flowdiag.note.svg_stack import stack_svg

    clock = Clock(note.timezone)
    style = (_FOLDER / "note.css").read_text(encoding="utf-8")
    # The svg functions escape all text that they are given (escape.html).
    charts = [Markup(chart_svg(chart, clock, f"chart{n}")) for n, chart in enumerate(note.charts, 1)]
    stack = Markup(stack_svg(note.stack, clock, "stack")) if note.stack is not None else None
    return (
        _environment()
        .get_template("note.html")
        .render(
            note=note,
            words=words,
            figures=figures,
            clock=clock,
            dated=not clock.same_day(*note.window_ms),
            style=Markup(style),
            policy=policy(style),
            charts=[
                (words.chart_title(c.link, c.direction), svg)
                for c, svg in zip(note.charts, charts, strict=True)
            ],
            stack=stack,
            link_columns=figures.LINK_COLUMNS,
            rankings=[
                (words.TALKERS, _NAMED, note.talkers),
                (words.APPLICATIONS, _UNNAMED, note.applications),
                (words.DESTINATIONS, _NAMED, note.destinations),
            ],
            lists=[(words.CAUTIONS, note.cautions), (words.METHOD, note.method), (words.UNSEEN, note.unseen)],
        )
    )


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
