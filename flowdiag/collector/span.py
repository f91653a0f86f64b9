"""A span of time that may be open at either end."""

from __future__ import annotations

from typing import Final

# Begin and end in ms since 1970 UTC, by the clock of the capture; None is open.
Span = tuple[int | None, int | None]
EVERYTHING: Final[Span] = (None, None)
