"""Writes the golden files anew: `python -m tests.note.golden`. Read the difference aloud before it is kept."""

from __future__ import annotations

from pathlib import Path

from flowdiag.note import markdown, text
from flowdiag.note.compose import compose
from tests.note.situations import SITUATIONS

FOLDER = Path(__file__).with_name("golden")
TICKET = "T-1042"


def written(name: str, suffix: str) -> str:
    """The note of a situation as it is now."""
    note = compose(SITUATIONS[name](), ticket=TICKET)
    return (text if suffix == "txt" else markdown).render(note)


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    for name in SITUATIONS:
        for suffix in ("txt", "md"):
            (FOLDER / f"{name}.{suffix}").write_text(written(name, suffix), encoding="utf-8")


if __name__ == "__main__":
    main()
