"""The little of Thrift's compact protocol that it takes to read what a Parquet file declares before it is unpacked.

Facts the design follows (from memory):
- a field is one octet, the distance from the last field's number and the type, or the type and the number behind it;
- numbers are of 7 bits an octet, lowest first, signed ones folded by zigzag; octets and lists have their length in front;
- Parquet's page headers and the beginning of its footer are such structures.
"""

from __future__ import annotations

from typing import Final

TRUE: Final = 1
FALSE: Final = 2
BYTE: Final = 3
DOUBLE: Final = 7
BINARY: Final = 8
LISTS: Final = frozenset((9, 10))
STRUCT: Final = 12
_NUMBERS: Final = frozenset((4, 5, 6))

# Structures within structures: a page header has two, with statistics three.
MAX_DEPTH: Final = 8
# Entries of a list within a structure that is read here: none of those that matter has more than a few.
MAX_ENTRIES: Final = 1_024
_MAX_BITS: Final = 63

# A structure by its fields' numbers: numbers, octets' lengths, structures, and lists as how many entries they have.
Fields = dict[int, "int | Fields"]


class NotThrift(ValueError):
    """Octets that are no such structure."""


class CutShort(NotThrift):
    """The octets end within a structure."""


class Compact:
    """Reads structures from octets; at: where the next one stands."""

    def __init__(self, octets: bytes, at: int = 0) -> None:
        self._octets = octets
        self.at = at

    def fields(self, depth: int = 0) -> Fields:
        """The next structure, read to its end. Raises NotThrift."""
        if depth > MAX_DEPTH:
            raise NotThrift("nested too deep")
        found: Fields = {}
        last = 0
        while (field := self.field(last)) is not None:
            last, kind = field
            found[last] = self._value(kind, depth)
        return found

    def field(self, last: int) -> tuple[int, int] | None:
        """Number and type of the next field of a structure, whose last one had a number; None at its end."""
        head = self._octet()
        if not head:
            return None
        kind = head & 0x0F
        return (last + (head >> 4) if head >> 4 else self.number()), kind

    def entries(self) -> tuple[int, int]:
        """How many entries the list that stands here has, and of which type."""
        head = self._octet()
        many = head >> 4
        return (self._unsigned() if many == 0x0F else many), head & 0x0F

    def number(self) -> int:
        folded = self._unsigned()
        return (folded >> 1) ^ -(folded & 1)

    def _value(self, kind: int, depth: int) -> int | Fields:
        if kind in (TRUE, FALSE):
            return int(kind == TRUE)
        if kind == BYTE:
            return self._octet()
        if kind in _NUMBERS:
            return self.number()
        if kind == DOUBLE:
            return self._pass(8)
        if kind == BINARY:
            return self._pass(self._unsigned())
        if kind == STRUCT:
            return self.fields(depth + 1)
        if kind not in LISTS:
            raise NotThrift("a type that Parquet does not use")
        many, of = self.entries()
        if many > MAX_ENTRIES:
            raise NotThrift("a list too long")
        for _ in range(many):
            self._octet() if of in (TRUE, FALSE) else self._value(of, depth + 1)
        return many

    def _pass(self, octets: int) -> int:
        self.at += octets
        if self.at > len(self._octets):
            raise CutShort("ends early")
        return octets

    def _octet(self) -> int:
        if self.at >= len(self._octets):
            raise CutShort("ends early")
        self.at += 1
        return self._octets[self.at - 1]

    def _unsigned(self) -> int:
        value = 0
        for shift in range(0, _MAX_BITS, 7):
            octet = self._octet()
            value |= (octet & 0x7F) << shift
            if octet < 0x80:
                return value
        raise NotThrift("a number too long")
