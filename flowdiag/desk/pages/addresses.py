"""Addresses of pages that other pages lead to."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final
from urllib.parse import urlencode

NOW: Final = "now"  # as the end of a question: the minute in which its address is opened


def question_address(site: str, values: Mapping[str, str]) -> str:
    """Of the note that answers a question. values: those that are empty are left out."""
    return f"/sites/{site}/note?{urlencode({name: value for name, value in values.items() if value})}"
