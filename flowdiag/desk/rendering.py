"""Templates of the desk, and the headers that every page of it has."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment
from markupsafe import Markup
from starlette.responses import HTMLResponse

from flowdiag.desk.asked import Asked
from flowdiag.note.axis import LEFT, RIGHT
from flowdiag.note.templates import templates_in
from flowdiag.text.escape import html
from flowdiag.text.wording.desk import shell

_FOLDER: Final = Path(__file__).parent / "templates"


def page(asked: Asked, template: str, *, status: int = 200, **content: Any) -> HTMLResponse:
    """A page from its template. Every text in it passes autoescape and `terminal` (text/escape.py)."""
    written = (
        environment()
        .get_template(template)
        .render(shell=shell, asked=asked, person=asked.person, token=asked.form_token, **content)
    )
    return HTMLResponse(written, status)


@cache
def environment() -> Environment:
    """All templates see the same filters and figures."""
    made = templates_in(_FOLDER)
    made.filters["lines"] = _lines
    made.globals["axis"] = {"left": LEFT, "right": RIGHT}
    return made


def _lines(text: str) -> Markup:
    """Text of several lines, each of them printable."""
    return Markup("\n".join(map(html, text.split("\n"))))
