"""Where the parts of a segment end that can be decoded while it is still written.

    spool/0/000000000042.open     a segment that is longer than a minute, or large
    spool/0/000000000042.parts    the positions in it up to which it can be decoded, a line each

Facts the design follows:
- a part never changes: its end is noted when all that is before it is on disk, and is on disk itself before the part
  goes to the store. So the same parts are found after a crash, and what is in the store is known by its content;
- an early part is some of a minute, for the decoder to begin with; the store gets it with the rest of that minute;
- parts count like segments: the first has the number of its segment, the next one the number after it, and the next
  segment the number after the last part;
- a closed segment has no further ends: what follows the last one is its last part.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Final, NamedTuple

from flowdiag.modes import opened

PARTS: Final = ".parts"
_ASIDE: Final = ".parts-aside"
_EARLY: Final = " early"
_LINE: Final = re.compile(rf"^(\d+)({_EARLY})?$", re.MULTILINE)


class End(NamedTuple):
    """at: a position in the file; early: whether more of the same minute follows."""

    at: int
    early: bool = False


def ends_of(segment: Path) -> list[End]:
    """Where the parts of a segment end, in ascending order; none if it is in one piece."""
    try:
        text = segment.with_suffix(PARTS).read_text("ascii", "replace")
    except FileNotFoundError:
        return []
    return [End(int(at), bool(early)) for at, early in _LINE.findall(text)]


def note_end(segment: Path, end: End) -> None:
    """One more end, unless it is known. On disk for good after fsync of the folder. Raises OSError."""
    known = ends_of(segment)
    if end in known:
        return
    aside = segment.with_suffix(_ASIDE)
    with open(aside, "w", encoding="ascii", opener=opened) as file:
        file.writelines(f"{each.at}{_EARLY if each.early else ''}\n" for each in [*known, end])
        file.flush()
        os.fsync(file.fileno())
    aside.replace(segment.with_suffix(PARTS))


def forget_ends(segment: Path) -> None:
    """Those of a segment that is gone."""
    for suffix in (PARTS, _ASIDE):
        segment.with_suffix(suffix).unlink(missing_ok=True)


def orphans(folder: Path, segments: set[str]) -> list[Path]:
    """What is left of segments that are gone, and what a crash left half written. segments: the stems of those that are
    there."""
    return [
        path
        for path in folder.iterdir()
        if path.suffix == _ASIDE or (path.suffix == PARTS and path.stem not in segments)
    ]


def last_number(folder: Path) -> int:
    """The highest that was given in a folder, also to a part, and to what only the knowledge is left of (seed_files.py)."""
    return max(
        (
            int(path.stem) + (len(ends_of(path)) if path.suffix == PARTS else 0)
            for path in folder.iterdir()
            if path.stem.isdigit()
        ),
        default=0,
    )
