"""The icon, and the style of all pages: that of notes, their pictures and reviews, then the desk's own (static/*.css)."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Final

from starlette.responses import FileResponse, Response

from flowdiag.desk.asked import Asked
from flowdiag.desk.routing import Page

KEPT: Final = {"Cache-Control": "max-age=300"}
_STATIC: Final = Path(__file__).parents[1] / "static"


async def show(asked: Asked) -> Response:
    return Response(_style(), media_type="text/css", headers=KEPT)


@cache
def _style() -> str:
    notes = files("flowdiag.note")
    parts = [(notes / name).read_text(encoding="utf-8") for name in ("pictures.css", "note.css")]
    parts.append((files("flowdiag.review") / "review.css").read_text(encoding="utf-8"))
    parts.append((files("flowdiag.watch.report") / "morning.css").read_text(encoding="utf-8"))
    own = sorted(_STATIC.glob("*.css"))
    return "".join([*parts, *(file.read_text(encoding="utf-8") for file in own)])


async def icon(asked: Asked) -> Response:
    """For files that name none, such as a note as text."""
    return FileResponse(_STATIC / "icon.svg", headers=KEPT)


PAGES: Final = (Page("/style.css", show, roles=None), Page("/favicon.ico", icon, roles=None))
