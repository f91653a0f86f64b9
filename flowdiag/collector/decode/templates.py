"""Templates: how the records of a data set are laid out (RFC 7011 3.4, RFC 3954 5.2 and 6.1)."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np

from flowdiag.collector.decode.elements import IANA, element_name
from flowdiag.collector.report import FieldSpec

VARIABLE: Final = 65535  # RFC 7011 7: the value carries its own length
FIRST_TEMPLATE: Final = 256
V9_SCOPE: Final = -9  # the scope types of NetFlow v9 are a number space of their own (RFC 3954 6.1)

_PAIR: Final = struct.Struct("!HH")


class Malformed(Exception):
    """A message or set that contradicts itself; str() says how, at: octets from the message's start."""

    def __init__(self, what: str, at: int = 0) -> None:
        super().__init__(what)
        self.at = at


@dataclass(frozen=True)
class Template:
    """fields in order; scopes: how many of them are scopes (options template); 0 for flow records."""

    id: int
    fields: tuple[FieldSpec, ...]
    scopes: int = 0
    options: bool = False
    variable_allowed: bool = True

    @cached_property
    def variable(self) -> bool:
        return self.variable_allowed and any(f.length == VARIABLE for f in self.fields)

    @cached_property
    def width(self) -> int:
        """Octets of a record; for variable-length templates the least it can have."""
        return sum(1 if self.variable_allowed and f.length == VARIABLE else f.length for f in self.fields)

    @cached_property
    def dtype(self) -> np.dtype[Any]:
        """One void item per field, at its offset: the structured type of a fixed-length record."""
        offsets = np.concatenate(([0], np.cumsum([f.length for f in self.fields])[:-1]))
        return np.dtype(
            {
                "names": [f"f{k}" for k in range(len(self.fields))],
                "formats": [_wire_type(f.length) for f in self.fields],
                "offsets": [int(o) for o in offsets],
                "itemsize": self.width,
            }
        )


def _wire_type(length: int) -> str:
    return {1: "u1", 2: ">u2", 4: ">u4", 8: ">u8"}.get(length, f"V{length}")


def read_fields(
    data: bytes, at: int, end: int, count: int, *, ipfix: bool, scopes: int = 0
) -> tuple[tuple[FieldSpec, ...], int]:
    """count field specifiers from data[at:end] and the offset behind them. Raises Malformed."""
    fields = []
    for number in range(count):
        if at + 4 > end:
            raise Malformed("a template promises more fields than its set holds", at)
        element, length = _PAIR.unpack_from(data, at)
        at += 4
        enterprise = IANA
        if ipfix and element & 0x8000:
            if at + 4 > end:
                raise Malformed("a template's enterprise number is cut off", at)
            enterprise = int.from_bytes(data[at : at + 4], "big")
            element &= 0x7FFF
            at += 4
        elif not ipfix and number < scopes:
            enterprise = V9_SCOPE
        fields.append(FieldSpec(element, enterprise, element_name(enterprise, element), length))
    return tuple(fields), at
