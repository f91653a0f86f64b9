"""Templates of the desk, and the headers that every page of it has."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse

from flowdiag.desk.asked import Asked
from flowdiag.note.axis import LEFT, RIGHT
from flowdiag.text.escape import html, terminal
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
    made = Environment(
        loader=FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_printable,
    )
    made.filters["lines"] = _lines
    made.globals["axis"] = {"left": LEFT, "right": RIGHT}
    return made


def _lines(text: str) -> Markup:
    """Text of several lines, each of them printable."""
    return Markup("\n".join(map(html, text.split("\n"))))


def _printable(value: Any) -> Any:
    """Text from people and from the network loses what is not printable; markup is the program's own."""
    return terminal(value) if type(value) is str else value
