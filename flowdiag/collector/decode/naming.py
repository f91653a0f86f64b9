"""Names that stand beside flows: applications, and interfaces named in the records themselves.

Facts the design follows:
- an application is named in the record (96) or by its id (95), whose name the exporter sends in options
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
        by_name = self._by_value(columns, ie.APPLICATION_NAME, self._known.cleaned)
        by_id = None
        if self._known.has_applications:
            by_id = self._by_value(
                columns, ie.APPLICATION_ID, lambda octets: self._known.application_name(exporter, octets)
            )
        if by_name is None or by_id is None:
            return by_id if by_name is None else by_name
        assert by_name.known is not None
        assert by_id.known is not None
        return Column(np.where(by_name.known, by_name.values, by_id.values), by_name.known | by_id.known)

    def _by_value(
        self, columns: Columns, number: int, name_of: Callable[[bytes], str | None]
    ) -> Column | None:
        indices = columns.indices(number)
        if not indices:
            return None
        encoded = columns.values_at(indices[0]).dictionary_encode()
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
    """A record that names an interface. Sorted, they are in order of export.

    set_number: of its data set in the batch (Group.set_numbers); record: its number among those of its template; side: number
    of the interface among those of a record.
    """

    set_number: int
    record: int
    side: int
    exporter: bytes
    interface: int
    name: bytes
    description: bytes


def naming_records(
    columns: Columns, set_numbers: NDArray[np.int64], exporter: bytes, names: Names
) -> list[NamingRecord]:
    """Of each interface that the records name, the first record, and those of the last name and description that are
    not empty. set_numbers: of the records' data sets.
    """
    fields = (columns.indices(ie.INTERFACE_NAME), columns.indices(ie.INTERFACE_DESCRIPTION))
    records: list[NamingRecord] = []
    sides = [side for side in _INTERFACE_SIDES if columns.has(*side)]
    for number, side in enumerate(sides):
        indexes = columns.integer(side[0] if columns.has(side[0]) else side[1])
        if indexes is None or number >= max(map(len, fields)):
            continue
        for index, row in zip(
            *(some.tolist() for some in np.unique(indexes, return_index=True)), strict=True
        ):
            records.append(NamingRecord(int(set_numbers[row]), row, number, exporter, index, b"", b""))
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
                texts = [b"", b""]
                texts[kind] = values[which[row]]
                records.append(NamingRecord(int(set_numbers[row]), row, number, exporter, index, *texts))
    return records
