"""Writes the golden files anew: `python -m tests.note.golden [NAME...]`. Read the difference aloud before it is kept."""

from __future__ import annotations

import sys
from pathlib import Path

from flowdiag.note import markdown, text
from flowdiag.note.compose import compose
from tests.note.scenes import AFTERNOONS

FOLDER = Path(__file__).with_name("golden")
TICKET = "T-1042"


def written(name: str) -> dict[str, str]:
    """The note of an afternoon as it is now, by file name."""
    note = compose(AFTERNOONS[name].diagnosis(), ticket=TICKET)
    return {
        f"{name}.txt": text.render(note),
        f"{name}.md": markdown.render(note),
        f"{name}.brief.txt": text.render_brief(note),
    }


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    for name in sys.argv[1:] or AFTERNOONS:
        for file, content in written(name).items():
            (FOLDER / file).write_text(content, encoding="utf-8")


if __name__ == "__main__":
    main()
