"""The bare floor: the least that any decoder of this design must do with the same octets.

It reads the file, walks the headers of messages and sets, joins the payloads of each template, reads them by one
numpy.frombuffer and swaps every field into a native column. It checks nothing, follows no sequence numbers, reads no
times and makes no flow table.
"""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path
from struct import Struct
from typing import Any

import numpy as np
from numpy.typing import NDArray

_IPFIX = Struct(">HHIIIHH").unpack_from
_SET = Struct(">HH").unpack_from
_TEMPLATE_SETS = {10: 2, 9: 0}
_HEADERS = {10: 16, 9: 20}


def floor(path: Path) -> int:
    """Reads an export of fixed templates the bare way. Gives the number of records."""
    return sum(len(columns[0]) for columns in _read(path))


def columns_of(path: str) -> dict[str, NDArray[Any]]:
    """The columns of an export of one fixed template."""
    (columns,) = _read(Path(path))
    return {f"field{index}": column for index, column in enumerate(columns)}


def _read(path: Path) -> list[list[NDArray[Any]]]:
    """The native columns of each template."""
    data = path.read_bytes()
    types: dict[int, np.dtype[Any]] = {}
    parts: dict[int, list[bytes]] = defaultdict(list)
    if data[1] == 10:
        _walk_ipfix(data, types, parts)
    else:
        _walk_netflow9(data, types, parts)
    return [_columns(b"".join(joined), types[number]) for number, joined in parts.items()]


def _walk_ipfix(data: bytes, types: dict[int, np.dtype[Any]], parts: dict[int, list[bytes]]) -> None:
    position, end = 0, len(data)
    while position < end:
        _, length, _, _, _, set_id, set_length = _IPFIX(data, position)
        stop = position + length
        at = position + 16
        while True:
            if set_id >= 256:
                parts[set_id].append(data[at + 4 : at + set_length])
            else:
                _read_templates(data[at + 4 : at + set_length], types)
            at += set_length
            if at >= stop:
                break
            set_id, set_length = _SET(data, at)
        position = stop


def _walk_netflow9(data: bytes, types: dict[int, np.dtype[Any]], parts: dict[int, list[bytes]]) -> None:
    """v9 has no length: the next message starts where no set can (RFC 5655 B.1.1)."""
    position, end = 0, len(data)
    while position < end:
        at = position + 20
        while at < end:
            set_id, set_length = _SET(data, at)
            if set_id == 9:
                break
            if set_id >= 256:
                parts[set_id].append(data[at + 4 : at + set_length])
            else:
                _read_templates(data[at + 4 : at + set_length], types)
            at += set_length
        position = at


def _read_templates(body: bytes, types: dict[int, np.dtype[Any]]) -> None:
    place = 0
    while place < len(body):
        number, count = _SET(body, place)
        widths = [_SET(body, place + 4 + 4 * index)[1] for index in range(count)]
        types[number] = np.dtype([(f"field{index}", f">u{width}") for index, width in enumerate(widths)])
        place += 4 + 4 * count


def _columns(octets: bytes, kind: np.dtype[Any]) -> list[NDArray[Any]]:
    records = np.frombuffer(octets, kind)
    return [records[name].astype(records.dtype[name].newbyteorder("=")) for name in kind.names or ()]
