"""The information elements: id, name and type (elements.csv, after the IANA registry; RFC 5102, RFC 7012)."""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files
from typing import Final

IANA: Final = 0
REVERSE: Final = 29305  # RFC 5103 6.1: the reverse direction's element of the same number


@cache
def _names() -> dict[int, str]:
    text = files("flowdiag.collector.decode").joinpath("elements.csv").read_text("utf-8")
    return {int(row["id"]): row["name"] for row in csv.DictReader(text.splitlines())}


def element_name(enterprise: int, number: int) -> str:
    """Name of an information element; "reverse…" for RFC 5103, "enterprise/id" where nothing is known."""
    name = _names().get(number)
    if enterprise == IANA and name:
        return name
    if enterprise == REVERSE and name:
        return "reverse" + name[0].upper() + name[1:]
    return f"{enterprise}/{number}"
