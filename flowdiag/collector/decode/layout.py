"""Offsets of the fields in a record, worked out once for each template."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any, Final

import numpy as np

from flowdiag.collector.decode.malformed import Malformed

VARIABLE: Final = 65_535  # RFC 7011 7: as a field's length, that each value carries its own
NATIVE_WIDTHS: Final = (1, 2, 4, 8)


class Layout:
    """Where the fields of a template stand: runs of fixed fields, a variable-length value after each but the
    last.

    gaps: octets of each run before a variable-length value; tail: those of the last run; types: the numpy
    type of each run; run_of: the run of each fixed field, or the number of the variable-length value as
    -1 - number.
    """

    def __init__(self, lengths: Sequence[int], wanted: Collection[int]) -> None:
        """lengths: of the fields in order; wanted: indices of the fields that flows are made of."""
        widths: list[int] = [0]
        columns: list[list[tuple[str, str, int]]] = [[]]
        self.run_of: list[int] = []
        for index, length in enumerate(lengths):
            if length == VARIABLE:
                self.run_of.append(-len(widths))
                widths.append(0)
                columns.append([])
                continue
            self.run_of.append(len(widths) - 1)
            if index in wanted:
                native = length in NATIVE_WIDTHS
                columns[-1].append((str(index), f">u{length}" if native else f"({length},)u1", widths[-1]))
            widths[-1] += length
        self.gaps, self.tail = widths[:-1], widths[-1]
        self.types = [_structured(part, width) for part, width in zip(columns, widths, strict=True)]
        self._least = sum(1 if length == VARIABLE else length for length in lengths)

    def record_starts(self, payload: bytes) -> list[int]:
        """Where the records of a data set of a varying template start. Raises Malformed if a value overruns."""
        starts: list[int] = []
        append = starts.append
        gaps, tail = self.gaps, self.tail
        position, end = 0, len(payload)
        last = end - self._least
        try:
            while position <= last:
                append(position)
                for gap in gaps:
                    position += gap
                    length = payload[position]
                    if length == 255:
                        length = 2 + (payload[position + 1] << 8) + payload[position + 2]
                    position += length + 1
                position += tail
        except IndexError:
            position = end + 1
        if position > end:
            raise Malformed("a variable-length value ends behind its set", starts[-1])
        return starts


def _structured(columns: list[tuple[str, str, int]], width: int) -> np.dtype[Any]:
    names, formats, offsets = zip(*columns, strict=True) if columns else ((), (), ())
    return np.dtype({"names": names, "formats": formats, "offsets": offsets, "itemsize": max(width, 1)})
