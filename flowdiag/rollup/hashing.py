"""64-bit hashes of keys, of few steps each: a column of millions is gone over for every step.

Fact the design follows: products with odd numbers, added up, tell rows of columns apart, and a last mixing brings what
differs into the high bits, by which slots are chosen. Two of a million distinct rows agree by chance in 3e-8, and even
then sums stay whole.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

# Odd and without pattern: the golden ratio's and the multipliers of splitmix64, xxHash and MurmurHash3 (from memory).
ODD: Final = tuple(
    np.uint64(number)
    for number in (
        0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB, 0x9E3779B185EBCA87, 0xC2B2AE3D27D4EB4F,
        0x165667B19E3779F9, 0x85EBCA77C2B2AE63, 0x27D4EB2F165667C5, 0xFF51AFD7ED558CCD, 0xC4CEB9FE1A85EC53,
    )
)  # fmt: skip


def hashed(*columns: NDArray[Any]) -> NDArray[np.uint64]:
    """A hash of each row of up to eight columns of 64 bits. Shape [n]."""
    with np.errstate(over="ignore"):
        total = columns[0].view(np.uint64) * ODD[0]
        for odd, column in zip(ODD[1:], columns[1:], strict=False):
            total += column.view(np.uint64) * odd
    return mixed_once(total)


def mixed_once(values: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """What differs in low bits differs in high ones, and the other way round. Changes and gives the values."""
    with np.errstate(over="ignore"):
        values ^= values >> np.uint64(32)
        values *= ODD[8]
        values ^= values >> np.uint64(29)
        values *= ODD[9]
    return values
