"""Long columns a step at a time, so that what is worked out on the way stays in the processor's cache.

Fact the design follows: a temporary column of millions of rows is memory that the system has to hand out, fill with
zeros and take back each time, which takes longer than the arithmetic on it.
"""

from __future__ import annotations

from typing import Final

STEP_ROWS: Final = 1 << 16


def steps(rows: int, cells: int = 0) -> list[slice]:
    """Slices of so many rows one after another, at least one.

    cells: into so many sums each step adds; a step has no fewer rows than that, so that summing is not all it does.
    """
    step = max(STEP_ROWS, cells)
    return [slice(begin, min(begin + step, rows)) for begin in range(0, max(rows, 1), step)]
