"""`flowdiag explain`: the page of a finding code."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from flowdiag.cli.options import output_options

if TYPE_CHECKING:
    from flowdiag.explained import Page

FORMATS: Final = ("text", "markdown")
WIDTH: Final = 100  # columns of text that does not go to a terminal


@click.command("explain")
@click.argument("code", required=False)
@output_options(*FORMATS)
def command(code: str | None, form: str | None, output: Path | None) -> None:
    """Explain a finding: what it means, how it is decided, what can fool it, what to do, its limits.

    Without CODE it lists all of them.

    \b
    Example:
      flowdiag explain link-full
      flowdiag explain backup-leak --format markdown
    """
    from flowdiag.cli.output import chosen_format, write_result
    from flowdiag.explained import page, pages, with_figures

    form = chosen_format(form, output, FORMATS)
    colours = output is None and sys.stdout.isatty()
    if code is None:
        every = list(pages())
        write_result(list_markdown(every) if form == "markdown" else list_text(every), output)
    else:
        one = with_figures(page(code))
        write_result(one.markdown() if form == "markdown" else page_text(one, colours=colours), output)


def list_text(pages: list[Page]) -> str:
    from flowdiag.text.wording import pages as wording

    width = max((len(page.code) for page in pages), default=0)
    lines = [f"{page.code:<{width}}  {page.says}" for page in pages]
    return "\n".join([*lines, "", wording.MORE])


def list_markdown(pages: list[Page]) -> str:
    from flowdiag.text.wording import pages as wording

    return "\n".join(
        [
            f"| {' | '.join(wording.LIST_COLUMNS)} |",
            "|---|---|",
            *(f"| `{page.code}` | {page.says} |" for page in pages),
        ]
    )


def page_text(page: Page, *, colours: bool) -> str:
    """The page for a terminal (with colours, as wide as it is) or as plain text."""
    from rich.console import Console
    from rich.markdown import Markdown
    from rich.padding import Padding

    if colours:
        console = Console(highlight=False)
    else:
        console = Console(width=WIDTH, color_system=None, force_terminal=False, highlight=False)
    with console.capture() as captured:
        console.print(page.code, style="bold", markup=False)
        console.print(page.says, markup=False)
        for heading, text in page.sections:
            console.print()
            console.print(heading, style="bold", markup=False)
            console.print(Padding(Markdown(text), (0, 0, 0, 2)))
    return "\n".join(line.rstrip() for line in captured.get().splitlines())
