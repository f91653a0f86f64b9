"""Draws the pictures of the README and the documentation from the demo's note: `python docs/pictures.py`.

note.svg is what `flowdiag demo` shows in a terminal, up to the first finding; upload.svg and users.svg are the
first two pictures of its HTML note.
"""

from __future__ import annotations

import io
import os
import tempfile
from pathlib import Path
from typing import Final

from rich.console import Console
from rich.text import Text

from flowdiag.cli.demo import CAPTURE, PROFILE, REPORTED, TICKET, WINDOW, write_demo
from flowdiag.note import html, text
from flowdiag.note.compose import compose
from flowdiag.note.model import Note
from flowdiag.note.svg import standing_alone
from flowdiag.pipeline import run
from flowdiag.site.reading import read_profile

FOLDER: Final = Path(__file__).parent / "pictures"
COLUMNS: Final = 100
# Of rich's own template, without the typeface that it would fetch.
TERMINAL: Final = """\
<svg viewBox="0 0 {width} {height}" xmlns="http://www.w3.org/2000/svg">
<style>
.{unique_id}-matrix {{ font-family: "DejaVu Sans Mono", Menlo, Consolas, monospace; font-size: {char_height}px;
  line-height: {line_height}px; }}
.{unique_id}-title {{ font-size: 18px; font-weight: bold; font-family: sans-serif; }}
{styles}
</style>
<defs><clipPath id="{unique_id}-clip-terminal">
<rect x="0" y="0" width="{terminal_width}" height="{terminal_height}"/></clipPath>
{lines}
</defs>
{chrome}
<g transform="translate({terminal_x}, {terminal_y})" clip-path="url(#{unique_id}-clip-terminal)">
{backgrounds}
<g class="{unique_id}-matrix">
{matrix}
</g>
</g>
</svg>
"""


def demo_note() -> Note:
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        write_demo(place)
        begin, end = WINDOW
        profile = read_profile(place / PROFILE)
        case = run([place / CAPTURE], profile, window_from=begin, window_to=end, reported=REPORTED)
        return compose(case, ticket=TICKET)


def terminal_svg(note: Note) -> str:
    """The text note down to its first finding, in the terminal's colours."""
    os.environ["COLUMNS"] = str(COLUMNS)
    shown = Text.from_ansi(text.render(note, on_terminal=True))
    second = shown.plain.index("\n  2. ")
    console = Console(record=True, width=COLUMNS, file=io.StringIO(), highlight=False)
    console.print("$ flowdiag demo")
    console.print(shown[:second])
    return console.export_svg(title="flowdiag demo", code_format=TERMINAL, unique_id="note")


def pictures() -> dict[str, str]:
    """SVG by file name."""
    note = demo_note()
    upload, users = [picture.wide for picture in html.pictures(note)][:2]
    return {
        "note.svg": terminal_svg(note),
        "upload.svg": standing_alone(upload),
        "users.svg": standing_alone(users),
    }


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name, svg in pictures().items():
        (FOLDER / name).write_text(svg, encoding="utf-8")
