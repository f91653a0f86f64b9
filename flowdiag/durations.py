"""Lengths of time that every wing counts in, in milliseconds as flows have them."""

from __future__ import annotations

from typing import Final

SECOND_MS: Final = 1_000
MINUTE_MS: Final = 60_000
HOUR_MS: Final = 3_600_000
DAY_MS: Final = 86_400_000

Span = tuple[int, int]  # [start, end) in ms since 1970 UTC
# Of the year 9999, after which nothing is a date.
LAST_MS: Final = 253_402_300_799_999
