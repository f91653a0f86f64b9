"""Percentiles as transit billing takes them."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

_ROUNDING: Final = 1e-9


def nearest_rank(values: NDArray[np.float64], percent: float) -> float:
    """The nearest-rank percentile: the least value that at least `percent` per cent of the values do not exceed.

    It is one of the values (numpy's method "inverted_cdf"), never a mean of two; 0.0 without values. Common
    practice of transit billing, no source.
    """
    if not len(values):
        return 0.0
    rank = max(math.ceil(len(values) * percent / 100.0 - _ROUNDING), 1)
    return float(np.partition(values, rank - 1)[rank - 1])


def nearest_ranks(
    values: NDArray[np.float64], group: NDArray[np.int16], groups: int, percent: float
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """The same of each group of values, and how many it has. values: ascending; group: the number of each value's. Shape of
    both: [groups]."""
    counts = np.bincount(group, minlength=groups)
    # Small numbers are sorted by counting them, which keeps the order of equal ones.
    ordered = values[np.argsort(group, kind="stable")]
    ranks = np.maximum(np.ceil(counts * (percent / 100.0) - _ROUNDING).astype(np.int64), 1)
    found = np.zeros(groups)
    there = counts > 0
    found[there] = ordered[(np.cumsum(counts) - counts + ranks - 1)[there]]
    return found, counts
