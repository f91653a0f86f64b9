"""Everything that people read of some afternoons and of a review, by name."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from click.testing import CliRunner

from flowdiag.cli.main import main
from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.note import html, json_note, markdown, text
from flowdiag.note.compose import compose
from tests.note.scenes import AFTERNOONS
from tests.review.portfolios import of_kinds

PLAYED: Final = ("outage", "leak-in-an-audit", "healthy", "flood")
WINDOW: Final = ("--from", "2026-03-03T13:40", "--to", "2026-03-03T14:10")
COMPARED: Final = ("--compare", "2026-03-03T13:00 to 2026-03-03T13:30", "--reported", "video calls freeze")
# What is for programs in the JSON of a note, or is data.
MACHINE_KEYS: Final = frozenset(
    {
        *("schema", "ticket", "site", "reported", "timezone", "code", "severity", "confidence", "evidence"),
        *(
            "link",
            "role",
            "direction",
            "kind",
            "name",
            "key",
            "label",
            "application",
            "address",
            "from",
            "to",
            "first",
            "last",
        ),
    }
)


def everything(folder: Path) -> Iterator[tuple[str, str]]:
    export, profile = AFTERNOONS["full-upload"].written(folder)
    at_site = (str(export), "--site", str(profile), "--quiet")
    for form in ("text", "markdown", "html", "json"):
        yield f"diagnose.{form}", _told("diagnose", *at_site, *WINDOW, *COMPARED, "--format", form)
    for form in ("text", "html"):
        yield f"brief.{form}", _told("diagnose", *at_site, *WINDOW, *COMPARED, "--brief", "--format", form)
    yield "one link", _told("diagnose", *at_site, *WINDOW, "--direction", "up")
    yield "usage", _told("usage", *at_site)
    yield "top", _told("top", "talkers", *at_site)
    yield "conversations", _told("top", "conversations", *at_site, "--direction", "up")
    yield "inspect", _told("inspect", str(export), "--quiet")
    yield "templates", _told("inspect", str(export), "--templates", "--quiet")
    yield "draft", _told("draft", str(export), "--quiet")
    yield "ingest", _told("ingest", str(export), "--store", str(folder / "store"), "--jobs", "1", "--quiet")
    for name in PLAYED:
        yield from _notes(name, AFTERNOONS[name].diagnosis())
    yield from _reviews(folder)


def one_note() -> Iterator[tuple[str, str]]:
    yield from _notes("healthy", AFTERNOONS["healthy"].diagnosis())


def _notes(name: str, diagnosis: Diagnosis) -> Iterator[tuple[str, str]]:
    note = compose(diagnosis, ticket="T-1042")
    yield f"{name}.text", text.render(note)
    yield f"{name}.markdown", markdown.render(note)
    yield f"{name}.html", html.render(note)
    yield f"{name}.json", "\n".join(_human(json_note.as_dict(note)))


def _reviews(folder: Path) -> Iterator[tuple[str, str]]:
    done = of_kinds(folder / "portfolio", ("outgrown",), days=24)
    asked = (
        "--store",
        str(done.store),
        "--sites",
        str(done.sites),
        "--month",
        "2026-03",
        "--jobs",
        "1",
        "--quiet",
    )
    pages = folder / "pages"
    yield "review.text", _told("review", *asked, "--pages", str(pages))
    for page in sorted(pages.iterdir()):
        yield f"page of {page.stem}.html", page.read_text(encoding="utf-8")


def _told(*words: str) -> str:
    """What a command says on standard output."""
    done = CliRunner().invoke(main, words, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    if words[-1] == "json":
        return "\n".join(_human(json.loads(done.stdout)))
    return done.stdout


def _human(content: Any) -> Iterator[str]:
    """The texts of a JSON object that are for people."""
    if isinstance(content, dict):
        for key, value in content.items():
            if key not in MACHINE_KEYS:
                yield from _human(value)
    elif isinstance(content, list):
        for value in content:
            yield from _human(value)
    elif isinstance(content, str):
        yield content
