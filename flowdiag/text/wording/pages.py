"""Headings of the page of a finding; its text is the docstring of the finding's file."""

from __future__ import annotations

from typing import Final

# Heading in a docstring -> heading on the page.
SECTIONS: Final = {
    "Means": "What it means",
    "Decided": "How it is decided",
    "Thresholds": "Thresholds",
    "Fooled by": "What can fool it",
    "Do": "What to do",
    "Limits": "Limits",
}
FIGURES: Final = "Figures in its evidence"
LIST_COLUMNS: Final = ("code", "says")
MORE: Final = "flowdiag explain CODE tells more."
