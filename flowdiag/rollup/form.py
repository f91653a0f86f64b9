"""A roll-up as octets: a header that names its parts, and each table as Arrow's stream, so that a reader takes what it needs.

    magic, length of the header (4 octets, big-endian), header (JSON), parts one after another

Facts the design follows:
- a damaged roll-up would be believed for years: each part has its digest in the header, the header has its own, and what
  does not agree is no roll-up;
- most questions need one or two of the tables: the header says where each lies;
- tables have some thousand rows: Parquet would be a fifth larger and take four times as long to read (measured);
- what the header says is input like any other: it is bounded, and decoded to types.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Collection, Mapping, Sequence
from io import BytesIO
from typing import Any, Final

import msgspec
import pyarrow as pa
from msgspec import Struct

from flowdiag.rollup.shape import TABLES, Facts, RollUp

MAGIC: Final = b"flowdiag-rollup1"
_LENGTH_OCTETS: Final = 4
_DIGEST_OCTETS: Final = 16
MAX_HEADER_OCTETS: Final = 32 << 20
# A part of a month of the busiest site takes some megabytes.
MAX_PART_OCTETS: Final = 256 << 20
_WRITING: Final = pa.ipc.IpcWriteOptions(compression="zstd")

# Of some tables, the columns that are wanted.
Columns = Mapping[str, Sequence[str]]


class Damaged(ValueError):
    """Octets that are no whole roll-up."""


class _Part(Struct, frozen=True):
    offset: int
    octets: int
    digest: str


class _Header(Struct, frozen=True):
    exporter: str
    facts: Facts
    report: dict[str, str]
    parts: dict[str, _Part]


def to_octets(rollup: RollUp) -> bytes:
    """All tables of TABLES are there."""
    parts, bodies, offset = {}, [], 0
    for name, schema in TABLES.items():
        body = _stream(rollup.tables[name].cast(schema))
        parts[name] = _Part(offset, len(body), _digest(body))
        bodies.append(body)
        offset += len(body)
    report = {key.decode(): base64.b64encode(value).decode() for key, value in rollup.report.items()}
    header = msgspec.json.encode(_Header(rollup.exporter.hex(), rollup.facts, report, parts))
    head = len(header).to_bytes(_LENGTH_OCTETS, "big")
    return b"".join([MAGIC, head, bytes.fromhex(_digest(header)), header, *bodies])


def from_file(file: Any, tables: Collection[str], columns: Columns | None = None) -> RollUp:
    """The roll-up in an open file, with these tables, or what is wanted of them. file: has read() and seek(). Raises Damaged,
    OSError."""
    head = file.read(len(MAGIC) + _LENGTH_OCTETS + _DIGEST_OCTETS)
    if len(head) < len(MAGIC) + _LENGTH_OCTETS + _DIGEST_OCTETS or not head.startswith(MAGIC):
        raise Damaged("it does not begin as a roll-up")
    length = int.from_bytes(head[len(MAGIC) : -_DIGEST_OCTETS], "big")
    if length > MAX_HEADER_OCTETS:
        raise Damaged("its header is too long")
    octets = file.read(length)
    if len(octets) < length or _digest(octets) != head[-_DIGEST_OCTETS:].hex():
        raise Damaged("its header is not what was written")
    try:
        header = msgspec.json.decode(octets, type=_Header)
        exporter = bytes.fromhex(header.exporter)
        report = {key.encode(): base64.b64decode(value) for key, value in header.report.items()}
    except (msgspec.MsgspecError, ValueError) as error:
        raise Damaged("its header cannot be read") from error
    found = {
        name: _table(
            file,
            len(head) + length,
            header.parts.get(name),
            name,
            (columns or {}).get(name, TABLES[name].names),
        )
        for name in tables
    }
    return RollUp(exporter, header.facts, report, found)


def from_octets(octets: bytes, tables: Collection[str] = tuple(TABLES)) -> RollUp:
    """Raises Damaged."""
    return from_file(BytesIO(octets), tables)


def _table(file: Any, begin: int, part: _Part | None, name: str, columns: Sequence[str]) -> pa.Table:
    if part is None or not 0 <= part.octets <= MAX_PART_OCTETS or part.offset < 0:
        raise Damaged(f"it has no table of {name}")
    file.seek(begin + part.offset)
    body = file.read(part.octets)
    if len(body) < part.octets or _digest(body) != part.digest:
        raise Damaged(f"its table of {name} is not what was written")
    schema = TABLES[name]
    # Threads would cost more than they save; columns that are not wanted are not unpacked.
    options = pa.ipc.IpcReadOptions(
        use_threads=False, included_fields=sorted(schema.get_field_index(column) for column in columns)
    )
    try:
        with pa.ipc.open_stream(body, options=options) as stream:
            table = stream.read_all()
        table.validate(full=True)
    except (pa.ArrowException, OSError) as error:
        raise Damaged(f"its table of {name} cannot be read") from error
    if table.schema != pa.schema([field for field in schema if field.name in columns]):
        raise Damaged(f"its table of {name} has other columns")
    return table


def _stream(table: pa.Table) -> bytes:
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema, options=_WRITING) as writer:
        writer.write_table(table.combine_chunks())
    octets: bytes = sink.getvalue().to_pybytes()
    return octets


def _digest(octets: bytes) -> str:
    return hashlib.blake2b(octets, digest_size=_DIGEST_OCTETS).hexdigest()
