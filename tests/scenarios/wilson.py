"""How far a share of a few draws may be from the share of all."""

from __future__ import annotations

from math import sqrt
from typing import Final

Z_95: Final = 1.959963984540054  # standard normal, two-sided 95 %


def wilson(right: int, draws: int, z: float = Z_95) -> tuple[float, float]:
    """Wilson's score interval of a share, without continuity correction (Wilson 1927); (0, 1) of no draws."""
    if draws == 0:
        return 0.0, 1.0
    share, weight = right / draws, z * z / draws
    middle = (share + weight / 2) / (1 + weight)
    half = z / (1 + weight) * sqrt(share * (1 - share) / draws + weight / (4 * draws))
    return (0.0 if right == 0 else middle - half), (1.0 if right == draws else middle + half)
