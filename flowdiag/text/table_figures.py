"""How figures read in the tables of `top` and `usage`."""

from __future__ import annotations

import io
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from rich.console import Console, RenderableType

WIDTH: Final = 80  # in a pipe or a file
_UNITS: Final = ("", "k", "M", "G", "T", "P", "E")


def short(value: float) -> str:
    """A number with a decimal prefix (SI), three figures: 999, 1.5 k, 12.3 M."""
    size = abs(value)
    for unit in _UNITS:
        if size < 999.5 or unit == _UNITS[-1]:
            break
        size /= 1000
        value /= 1000
    digits = 0 if not unit or size >= 99.95 else 1 if size >= 9.995 else 2
    return f"{value:.{digits}f} {unit}".rstrip()


def iso(time_ms: int, zone: ZoneInfo) -> str:
    """ISO 8601 with the zone's offset, milliseconds where there are any."""
    return iso_moment(datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone))


def iso_moment(moment: datetime) -> str:
    """The same of a time that knows its zone."""
    return moment.isoformat(timespec="milliseconds" if moment.microsecond else "seconds")


def clock(time_ms: int, zone: ZoneInfo, *, date: bool = False) -> str:
    """Local time of day to the second, with its date where asked for."""
    moment = datetime.fromtimestamp(time_ms // 1000, UTC).astimezone(zone)
    return moment.strftime("%Y-%m-%d %H:%M:%S" if date else "%H:%M:%S")


def printed(sections: Iterable[RenderableType], *, on_terminal: bool) -> str:
    """Sections as text: as wide as the terminal and styled, or plain and WIDTH columns wide."""
    file = io.StringIO()
    console = Console(
        file=file, force_terminal=on_terminal, width=None if on_terminal else WIDTH, highlight=False
    )
    for section in sections:
        console.print(section)
    # Tables pad their lines with blanks, which are noise in a pipe and in a pasted text.
    return "".join(line.rstrip() + "\n" for line in file.getvalue().splitlines())
