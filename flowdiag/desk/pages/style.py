"""The style of all pages: that of notes and their pictures, then the desk's own."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Final

from starlette.responses import Response

from flowdiag.desk.asked import Asked
from flowdiag.desk.routing import Page

_DESK: Final = Path(__file__).parents[1] / "static" / "desk.css"


async def show(asked: Asked) -> Response:
    return Response(_style(), media_type="text/css", headers={"Cache-Control": "max-age=300"})


@cache
def _style() -> str:
    notes = files("flowdiag.note")
    parts = [(notes / name).read_text(encoding="utf-8") for name in ("pictures.css", "note.css")]
    return "".join([*parts, _DESK.read_text(encoding="utf-8")])


PAGES: Final = (Page("/style.css", show, roles=None),)
