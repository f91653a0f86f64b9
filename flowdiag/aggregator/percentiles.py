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
