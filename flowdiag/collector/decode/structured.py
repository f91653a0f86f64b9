"""Records to values one by one: for options, where records are few, and for lists within records (RFC 6313).

Facts the design follows:
- a list may hold records of any template of its session and domain, other lists too (RFC 6313 5.2, 6), so
  depth and number of values are bounded;
- an unknown template, or a list that contradicts itself, makes the list unreadable, not its record, whose
  outer length stays right (RFC 6313 6);
- a group of a multi-list without records may give its length as 0 (RFC 6313 4.5.3).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final, NamedTuple

from flowdiag.collector.decode.cursor import Cursor
from flowdiag.collector.decode.elements import IANA, element
from flowdiag.collector.decode.layout import VARIABLE
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.malformed import Malformed
from flowdiag.collector.decode.templates import Field, Template

_ENTERPRISE_BIT: Final = 0x8000


class ListValue(NamedTuple):
    """A list: its semantic (RFC 6313 11.4) and its records; those of a basicList have one value each."""

    semantic: int
    records: tuple[Record, ...]


Value = bytes | ListValue
Record = tuple[tuple[Field, Value], ...]
Find = Callable[[int], Template | None]


class RecordReader:
    """Reads records of one domain. find: the domain's template of an id, or None."""

    def __init__(self, find: Find, limits: Limits) -> None:
        self._find = find
        self._limits = limits
        self._values_left = 0

    def records(self, cursor: Cursor, template: Template) -> Iterator[Record]:
        """The records of a data set. Raises Malformed if a value runs past it."""
        while cursor.left >= template.width:
            self._values_left = self._limits.record_values
            yield self._record(cursor, template, 0)

    def _record(self, cursor: Cursor, template: Template, depth: int) -> Record:
        return tuple((field, self._value(cursor, field, depth)) for field in template.fields)

    def _value(self, cursor: Cursor, field: Field, depth: int) -> Value:
        self._values_left -= 1
        if self._values_left < 0:
            raise Malformed("a record of too many values", cursor.position)
        inner = cursor.within(cursor.varying_length() if field.length == VARIABLE else field.length)
        known = element(field.id) if field.enterprise == IANA else None
        read = _LISTS.get(known.type) if known else None
        start = inner.position
        if read is not None and depth < self._limits.list_depth:
            try:
                return read(self, inner, depth + 1)
            except Malformed:
                inner.position = start
        return inner.octets(inner.left)

    def _basic_list(self, cursor: Cursor, depth: int) -> ListValue:
        semantic, number, length = cursor.unsigned(1), cursor.unsigned(2), cursor.unsigned(2)
        enterprise = IANA
        if number & _ENTERPRISE_BIT:
            number, enterprise = number & ~_ENTERPRISE_BIT, cursor.unsigned(4)
        if length == 0 and cursor.left:
            raise Malformed("a list of values without octets", cursor.position)
        field = Field(number, enterprise, length)
        records = []
        while cursor.left:
            records.append(((field, self._value(cursor, field, depth)),))
        return ListValue(semantic, tuple(records))

    def _sub_template_list(self, cursor: Cursor, depth: int) -> ListValue:
        semantic, number = cursor.unsigned(1), cursor.unsigned(2)
        return ListValue(semantic, tuple(self._all(cursor, number, depth)))

    def _sub_template_multi_list(self, cursor: Cursor, depth: int) -> ListValue:
        semantic = cursor.unsigned(1)
        records: list[Record] = []
        while cursor.left:
            number, length = cursor.unsigned(2), cursor.unsigned(2)
            if length > 4:
                records += self._all(cursor.within(length - 4), number, depth)
        return ListValue(semantic, tuple(records))

    def _all(self, cursor: Cursor, number: int, depth: int) -> Iterator[Record]:
        template = self._find(number)
        if template is None:
            raise Malformed("a list of an unknown template", cursor.position)
        while cursor.left >= template.width:
            yield self._record(cursor, template, depth)


_LISTS: Final[dict[str, Callable[[RecordReader, Cursor, int], ListValue]]] = {
    "basicList": RecordReader._basic_list,
    "subTemplateList": RecordReader._sub_template_list,
    "subTemplateMultiList": RecordReader._sub_template_multi_list,
}


def flattened(record: Record) -> Iterator[tuple[Field, bytes]]:
    """All plain values of a record in order, those within lists where their list stands."""
    for field, value in record:
        if isinstance(value, bytes):
            yield field, value
        else:
            for inner in value.records:
                yield from flattened(inner)
