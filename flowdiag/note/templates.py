"""How pages are made of templates: everything is escaped, and plain text loses what could steer a page."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flowdiag.text.escape import terminal

if TYPE_CHECKING:
    from jinja2 import Environment


@cache
def templates_in(folder: Path) -> Environment:
    """The templates of a folder."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_printable,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def _printable(value: Any) -> Any:
    """Plain text without what is not printable; markup of our own as it is."""
    return terminal(value) if type(value) is str else value
