"""Names that stand beside flows: applications, and interfaces named in the records themselves.

Facts the design follows:
- an application is named in the record (96) or by its id (95), whose name the exporter tells in options
  (RFC 6759 4.3); where no name is known there is none: a port is no application;
- elements 82 and 83 may stand twice in a record: of the ingress interface, then of the egress one (common
  practice).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flowdiag.buffers import numbers
from flowdiag.collector.decode import ie
from flowdiag.collector.decode.columns import Columns
from flowdiag.collector.decode.options import Names
from flowdiag.collector.decode.rows import Column


class Vocabulary:
    """The application names of a batch, by code in order of appearance. bound: how many, others have none."""

    def __init__(self, names: Names, bound: int) -> None:
        self.names: list[str] = []
        self._bound = bound
        self._codes: dict[str, int] = {}
        self._known = names

    def codes(self, columns: Columns, exporter: bytes) -> Column | None:
        """Each record's application; None if no record has one."""
        inline = self._by_value(columns, ie.APPLICATION_NAME, self._known.cleaned)
        told = None
        if self._known.has_applications:
            told = self._by_value(
                columns, ie.APPLICATION_ID, lambda octets: self._known.application_name(exporter, octets)
            )
        if inline is None or told is None:
            return told if inline is None else inline
        assert inline.known is not None
        assert told.known is not None
        return Column(np.where(inline.known, inline.values, told.values), inline.known | told.known)

    def _by_value(
        self, columns: Columns, number: int, name_of: Callable[[bytes], str | None]
    ) -> Column | None:
        places = columns.places(number)
        if not places:
            return None
        encoded = columns.values_at(places[0]).dictionary_encode()
        codes = np.array([self._code(name_of(value)) for value in encoded.dictionary.to_pylist()], np.int32)
        if not (codes >= 0).any():
            return None
        values = codes[numbers(encoded.indices)]
        return Column(values, values >= 0)

    def _code(self, name: str | None) -> int:
        if not name:
            return -1
        code = self._codes.get(name)
        if code is None:
            if len(self.names) >= self._bound:
                return -1
            code = self._codes[name] = len(self.names)
            self.names.append(name)
        return code


_INTERFACE_SIDES = (
    (ie.INGRESS_INTERFACE, ie.INGRESS_PHYSICAL_INTERFACE),
    (ie.EGRESS_INTERFACE, ie.EGRESS_PHYSICAL_INTERFACE),
)


class NamingRecord(NamedTuple):
    """A record that names an interface. Sorted, tellings stand in order of export.

    place: of its data set in the batch; record: of those with its template.
    """

    place: int
    record: int
    side: int
    exporter: bytes
    interface: int
    name: bytes
    description: bytes


def interface_tellings(
    columns: Columns, places: NDArray[np.int64], exporter: bytes, names: Names
) -> list[NamingRecord]:
    """Of each interface that the records name, the first record, and those of the last name and description that are
    not empty. places: of the records' data sets.
    """
    fields = (columns.places(ie.INTERFACE_NAME), columns.places(ie.INTERFACE_DESCRIPTION))
    found: list[NamingRecord] = []
    sides = [side for side in _INTERFACE_SIDES if columns.has(*side)]
    for number, side in enumerate(sides):
        indexes = columns.integer(side[0] if columns.has(side[0]) else side[1])
        if indexes is None or number >= max(map(len, fields)):
            continue
        for index, row in zip(
            *(some.tolist() for some in np.unique(indexes, return_index=True)), strict=True
        ):
            found.append(NamingRecord(int(places[row]), row, number, exporter, index, b"", b""))
        for kind, field in enumerate(fields):
            if number >= len(field):
                continue
            encoded = columns.values_at(field[number]).dictionary_encode()
            values = encoded.dictionary.to_pylist()
            says_much = np.array([bool(names.cleaned(value)) for value in values], np.bool_)
            which = numbers(encoded.indices)
            rows = np.flatnonzero(says_much[which])[::-1]
            distinct, from_end = np.unique(indexes[rows], return_index=True)
            for index, row in zip(distinct.tolist(), rows[from_end].tolist(), strict=True):
                told = [b"", b""]
                told[kind] = values[which[row]]
                found.append(NamingRecord(int(places[row]), row, number, exporter, index, *told))
    return found
