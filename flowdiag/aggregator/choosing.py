"""One of two values for each record, whichever way the records alternate.

Fact the design follows: numpy.where() branches on every value. Where both cases come in no order, as directions of flows
do, the processor guesses wrong each other time, and that takes five times as long as the arithmetic here.
"""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Whole = TypeVar("Whole", bound=np.generic)


def either(mask: NDArray[np.bool_], yes: NDArray[Whole] | Whole, no: NDArray[Whole]) -> NDArray[Whole]:
    """numpy.where(mask, yes, no) for integers, or truth values, of one type. Shape [n]."""
    chosen: NDArray[Any] = yes ^ no  # type: ignore[operator]
    chosen *= mask
    chosen ^= no
    return chosen


def exchanged(
    mask: NDArray[np.bool_], left: NDArray[Whole], right: NDArray[Whole]
) -> tuple[NDArray[Whole], NDArray[Whole]]:
    """numpy.where(mask, left, right) and numpy.where(mask, right, left), for integers of one type. Shape [n] each."""
    between: NDArray[Any] = left ^ right  # type: ignore[operator]
    between *= mask
    return between ^ right, between ^ left
