"""The morning list as one HTML page: no script, nothing fetched, a policy that forbids both; it prints on paper as it
stands."""

from __future__ import annotations

from functools import cache
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from flowdiag.note.html import page_style, policy
from flowdiag.text.escape import terminal
from flowdiag.text.wording.watch import morning as wording
from flowdiag.watch.report.reasons import MorningList
from flowdiag.watch.report.rows import rows, summary, unsure_counts

if TYPE_CHECKING:
    from jinja2 import Environment

_FOLDER: Final = Path(__file__).parent


def render(morning: MorningList) -> str:
    return _rendered("morning.html", morning)


def part(morning: MorningList) -> str:
    """What stands below the heading, as markup for a page with the same style."""
    return _rendered("morning_part.html", morning)


@cache
def style() -> str:
    """Of the page: that of notes, then its own."""
    return page_style() + (_FOLDER / "morning.css").read_text(encoding="utf-8")


def _rendered(template: str, morning: MorningList) -> str:
    from markupsafe import Markup

    sites = [(site, list(own)) for site, own in groupby(rows(morning), key=lambda row: row.site)]
    return (
        _environment()
        .get_template(template)
        .render(
            sites=sites,
            morning=morning,
            made=wording.at(morning.now_ms),
            summary=summary(morning),
            unsure=unsure_counts(morning),
            wording=wording,
            style=Markup(style()),
            policy=policy(style()),
        )
    )


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_printable,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def _printable(value: Any) -> Any:
    """Plain text without what could steer a page; markup of our own as it is."""
    return terminal(value) if type(value) is str else value
