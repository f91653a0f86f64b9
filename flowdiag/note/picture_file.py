"""All pictures of a note in one file to attach alone: an SVG, or the PNG that this SVG makes when it is rasterised.

One renderer draws them, so that they are those of the HTML note, on the same time axis. The file has the light colours
only, written out, since not every program that shows an SVG knows variables and media queries of CSS.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Final

from flowdiag.note.axis import LEFT
from flowdiag.note.html import pictures, pictures_beside
from flowdiag.note.model import Note
from flowdiag.note.svg import STYLE, WIDTH, element, number
from flowdiag.text.escape import html, terminal
from flowdiag.text.wording import note as wording
from flowdiag.text.wording import pictures as words_of_pictures

MARGIN: Final = 12.0
HEAD: Final = 56.0  # title and subtitle
CAPTION: Final = 24.0  # above each picture
BELOW: Final = 14.0  # each picture
# Dots for each unit of the SVG: sharp on a screen of high density, and in print at about 200 dots an inch.
DOTS: Final = 2
_LONGEST_SITE: Final = 80
_FONT: Final = "Source Sans Pro"
_FACES: Final = ("SourceSansPro-Regular.ttf", "SourceSansPro-Semibold.ttf")
_VIEW: Final = re.compile(r'^<svg xmlns="[^"]*" viewBox="0 0 ([\d.]+) ([\d.]+)"')
_VARIABLES: Final = re.compile(r":root\s*{([^}]*)}")
_VARIABLE: Final = re.compile(r"(--[\w-]+):\s*([^;]+);")
_MEDIA: Final = re.compile(r"@media[^{]*{\s*:root\s*{[^}]*}\s*}\n?")
_OF_THE_FILE: Final = (
    ".head { font-size: 16px; font-weight: 600; } .caption { font-size: 13px; font-weight: 600; }"
)


def pictures_svg(note: Note) -> str:
    """The pictures of a note below one another, with its title."""
    title = wording.title(note.ticket, terminal(note.site, longest=_LONGEST_SITE))
    parts = [_text(title, 24, "head"), _text(wording.subtitle(note.window_ms, note.clock), 44)]
    y = HEAD
    for picture in (*pictures(note), *pictures_beside(note)):
        found = _VIEW.match(picture.wide)
        assert found is not None  # svg.Frame.picture() wrote it
        place = f'<svg x="{number(MARGIN)}" y="{number(y + CAPTION)}" width="{found[1]}" height="{found[2]}"'
        parts.append(_text(terminal(picture.title), y + 16, "caption"))
        parts.append(picture.wide.replace("<svg", place, 1))
        y += CAPTION + float(found[2]) + BELOW
    if not note.charts:
        parts.append(_text(words_of_pictures.NO_RECORDS, y + 16))
        y += CAPTION + BELOW
    width = WIDTH + 2 * MARGIN
    return (
        element(
            "svg",
            element("title", html(title)),
            element("style", light_style()),
            element("rect", width="100%", height="100%", class_="paper"),
            *parts,
            xmlns="http://www.w3.org/2000/svg",
            viewBox=f"0 0 {number(width)} {number(y)}",
            width=width,
            height=y,
            role="img",
        )
        + "\n"
    )


def pictures_png(note: Note) -> bytes:
    """pictures_svg() as a PNG: the same octets for the same note on every machine, since its typeface comes along."""
    import resvg_py
    from font_source_sans_pro import font_directory

    return bytes(
        resvg_py.svg_to_bytes(
            svg_string=pictures_svg(note),
            zoom=DOTS,
            skip_system_fonts=True,
            font_files=[str(Path(font_directory) / face) for face in _FACES],
            font_family=_FONT,
            sans_serif_family=_FONT,
        )
    )


@cache
def light_style() -> str:
    """The style of pictures in light colours, without variables."""
    style = STYLE.read_text(encoding="utf-8")
    light = _VARIABLES.search(style)
    values = dict(_VARIABLE.findall(light[1])) if light else {}
    rules = _VARIABLES.sub("", _MEDIA.sub("", style), count=1)
    rules += f"{_OF_THE_FILE} .paper {{ fill: var(--paper); }}"
    return re.sub(r"var\((--[\w-]+)\)", lambda name: values[name[1]], rules)


def _text(text: str, y: float, kind: str = "") -> str:
    return element("text", html(text), x=MARGIN + LEFT, y=y, class_=f"label {kind}".strip())
