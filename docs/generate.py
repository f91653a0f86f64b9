"""Writes the pages that are drawn from the program itself: findings, profile tables, command help.

Run as `python docs/generate.py`; with --check it only lists the pages that are out of date, and a test does so.
"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from flowdiag.cli.main import COMMANDS, main
from flowdiag.diagnoser.pages import pages
from flowdiag.site.reference import profile_tables

DOCS = Path(__file__).parent


def generated() -> dict[Path, str]:
    """The text of each generated page by its path below docs/."""
    texts = {}
    rows = ["# Findings", "", "| code | says |", "|---|---|"]
    for page in pages():
        texts[Path("findings") / f"{page.code}.md"] = page.markdown()
        rows.append(f"| [`{page.code}`]({page.code}.md) | {page.says} |")
    texts[Path("findings") / "index.md"] = "\n".join(rows) + "\n"
    texts[Path("reference") / "profile.md"] = "\n\n".join(["# Site profile", *profile_tables()]) + "\n"
    texts[Path("reference") / "commands.md"] = commands()
    return texts


def commands() -> str:
    """Each command's own help."""
    parts = ["# Commands"]
    context = click.Context(main, info_name="flowdiag", terminal_width=100, **main.context_settings)
    for name in COMMANDS:
        command = main.get_command(context, name)
        if command is not None:
            inner = click.Context(command, info_name=name, parent=context, terminal_width=100)
            parts += [f"## {name}", f"```text\n{command.get_help(inner).rstrip()}\n```"]
    return "\n\n".join(parts) + "\n"


def stale() -> list[str]:
    """Pages that are missing or say something else than the program."""
    return [
        str(path)
        for path, text in generated().items()
        if not (DOCS / path).is_file() or (DOCS / path).read_text(encoding="utf-8") != text
    ]


if __name__ == "__main__":
    if sys.argv[1:] == ["--check"]:
        sys.exit("\n".join(stale()) or None)
    for path, text in generated().items():
        (DOCS / path).parent.mkdir(parents=True, exist_ok=True)
        (DOCS / path).write_text(text, encoding="utf-8")
