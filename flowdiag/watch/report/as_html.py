"""The morning list as one HTML page: no script, nothing fetched, a policy that forbids both; it prints on paper as it
stands."""

from __future__ import annotations

from functools import cache
from itertools import groupby
from pathlib import Path
from typing import Final

from flowdiag.note.html import page_style, policy
from flowdiag.note.templates import templates_in
from flowdiag.text.wording.watch import morning as wording
from flowdiag.watch.report.reasons import MorningList
from flowdiag.watch.report.rows import nobody_heard, rows, summary, unsure_counts

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
        templates_in(_FOLDER)
        .get_template(template)
        .render(
            sites=sites,
            morning=morning,
            made=wording.at(morning.now_ms),
            summary=summary(morning),
            nobody_heard=nobody_heard(morning),
            unsure=unsure_counts(morning),
            wording=wording,
            style=Markup(style()),
            policy=policy(style()),
        )
    )
