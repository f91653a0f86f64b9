"""How fine the records are: the exporter's active timeout, read off the longest flows."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

ASSUMED_S: Final = 60  # common practice, no source: said to be assumed where it is used
FEWEST: Final = 5  # long flows needed for a pile-up


def estimate_resolution(durations_ms: NDArray[Any], announced_s: int | None) -> tuple[int, bool]:
    """Active timeout in seconds, and whether it is known. durations_ms: of all flows; announced_s: element 36."""
    if announced_s:
        return announced_s, True
    long = np.sort(durations_ms[durations_ms > 1000])
    if len(long) < FEWEST:
        return ASSUMED_S, False
    top = float(long[-max(1, len(long) // 1000)])
    crowd = int(np.sum(long >= 0.85 * top))
    return max(1, round(top / 1000)), crowd >= FEWEST
