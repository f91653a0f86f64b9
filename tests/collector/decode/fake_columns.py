"""Columns of a template as the normaliser reads them, given by hand."""

from __future__ import annotations

from typing import Any

import numpy as np

from flowdiag.collector.decode import ie


class FakeColumns:
    """Columns by the names of their elements in ie.py."""

    def __init__(self, count: int, **columns: Any) -> None:
        self.count = count
        self._columns = {getattr(ie, name): np.asarray(values) for name, values in columns.items()}

    def has(self, *numbers: int) -> bool:
        return any(number in self._columns for number in numbers)

    def words(self, number: int) -> Any:
        return self._columns.get(number)

    def octets(self, number: int, length: int) -> Any:
        return self._columns.get(number)

    def integer(self, number: int) -> Any:
        return self._columns.get(number)
