"""What bounds the figures, as data. The sentences stand in text/wording/coverage.py, one for each code."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from msgspec import Struct


class Remark(Struct, frozen=True):
    """code: which sentence; values: the figures and names in it, by what the sentence calls them."""

    code: str
    values: Mapping[str, Any]


def remark(code: str, **values: Any) -> Remark:
    return Remark(code, values)


def said(text: str) -> Remark:
    """What the reading of an export has put into words already."""
    return remark("said", text=text)
