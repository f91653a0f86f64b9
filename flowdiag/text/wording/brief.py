"""The words of a note's short form."""

from __future__ import annotations

from typing import Final

from flowdiag.text.figures import count

RESTS_ON: Final = "What it rests on"
DOUBTS: Final = "Doubts"
TO_DO: Final = "What to do"
BESIDES: Final = "Also found"
BOUNDS: Final = "What bounds the figures"
FULL_NOTE: Final = (
    "This is the short form. The full note, made without --brief, has the figures, devices and destinations of "
    "each finding."
)


def more_that_matter(findings: int) -> str:
    return f"{findings:,} more that matter" if findings > 1 else "1 more that matters"


def for_context(findings: int) -> str:
    return f"{count(findings, 'finding')} for context alone"
