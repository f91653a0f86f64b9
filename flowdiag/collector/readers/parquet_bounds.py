"""What a Parquet file given as an export may declare: looked at before anything of it is unpacked.

Facts the design follows:
- runs, dictionaries and compression make gigabytes of kilobytes, so what counts is not the file's size but what its
  footer and the headers of its pages say that they unpack to; pyarrow makes room for as much as they say;
- the footer is read by pyarrow as a whole, so its length and the columns and row groups in it are looked at first;
- what a footer says of a column's size is not what its pages hold: each page's header is looked at too. What none of
  them can say, how long values of DELTA_BYTE_ARRAY become, is refused (flowdiag writes none);
- the bounds lie far above what flowdiag writes: 18 or 19 columns, groups of 131,072 records, pages of a megabyte.
"""

from __future__ import annotations

from typing import IO, Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from flowdiag.collector.readers.beginnings import PARQUET
from flowdiag.collector.readers.compression import FREE_OCTETS, MAX_RATIO
from flowdiag.collector.readers.density import most_records
from flowdiag.collector.readers.thrift import Compact, CutShort, Fields, NotThrift
from flowdiag.errors import ExportError
from flowdiag.flows import FLOW_SCHEMA

# The footer holds the report (stored_flows.MAX_REPORT_OCTETS) and about 2 KiB for each row group.
MAX_FOOTER_OCTETS: Final = 20 << 20
# The table has 19 columns; others may have been added.
MAX_COLUMNS: Final = 64
# 268 million records in groups as flowdiag writes them. Opening one takes some milliseconds.
MAX_ROW_GROUPS: Final = 2_048
# Octets that a page and a column of a row group unpack to. flowdiag's pages have one megabyte, a column of addresses two.
MAX_PAGE_OCTETS: Final = 8 << 20
MAX_COLUMN_OCTETS: Final = 64 << 20
# Pages of a file: flowdiag makes one of 20,000 records or more, and one each for the dictionaries of a row group.
FREE_PAGES: Final = 50_000
RECORDS_A_PAGE: Final = 1_000
# Octets of a page's header; with statistics of the longest text that pyarrow writes into it.
PAGE_HEADER_OCTETS: Final = 256
MAX_PAGE_HEADER_OCTETS: Final = 32 << 10
# Bounds that pyarrow gets for the footer: entries of a list in it, octets of a text (the report).
MAX_LIST_ENTRIES: Final = 1 << 16

_TAIL: Final = 8  # octets of the footer's length and the mark behind it
_DELTA_BYTE_ARRAY: Final = 7
# FileMetaData, PageHeader and its parts, by the numbers of their fields (parquet.thrift).
_SCHEMA, _ROWS, _ROW_GROUPS = 2, 3, 4
_UNPACKED, _PACKED = 2, 3
_DATA_PAGE, _DATA_PAGE_V2 = 5, 8
_ENCODING: Final = {_DATA_PAGE: 2, _DATA_PAGE_V2: 4}

_NAMES: Final = "application"
_PHYSICAL: Final[dict[str, frozenset[str]]] = {
    field.name: frozenset(
        ("FIXED_LEN_BYTE_ARRAY",)
        if pa.types.is_fixed_size_binary(field.type)
        else ("BYTE_ARRAY",)
        if pa.types.is_dictionary(field.type)
        else ("INT32", "INT64")
    )
    for field in FLOW_SCHEMA
}


def beyond(name: str, what: str, expected: str, offset: int | None = None) -> ExportError:
    return ExportError(
        f"a Parquet file with {what}",
        file=name,
        offset=offset,
        expected=expected,
        advice="give the export that the table was made from",
    )


def damaged(name: str, what: str, offset: int | None = None) -> ExportError:
    return ExportError(
        f"damaged Parquet ({what})",
        file=name,
        offset=offset,
        expected="a whole Parquet file",
        advice="copy or write it again",
    )


def open_bounded(file: IO[bytes], octets: int, name: str) -> pq.ParquetFile:
    """Opens a Parquet file once its footer has been found within bounds. octets: of the file as it was given, compressed
    or not; name: for errors. Raises ExportError, and what pyarrow raises.
    """
    _check_footer(file, octets, name)
    opened = pq.ParquetFile(
        file, thrift_string_size_limit=MAX_FOOTER_OCTETS, thrift_container_size_limit=MAX_LIST_ENTRIES
    )
    if _NAMES not in (opened.schema.column(number).path for number in range(len(opened.schema))):
        return opened
    # Whatever the file's own metadata says: as plain text, each record would have its name written out.
    return pq.ParquetFile(file, metadata=opened.metadata, read_dictionary=[_NAMES])


def _check_footer(file: IO[bytes], octets: int, name: str) -> None:
    size = file.seek(0, 2)
    file.seek(max(size - _TAIL, 0))
    tail = file.read()
    length = int.from_bytes(tail[:4], "little")
    if size < _TAIL + len(PARQUET) or not tail.endswith(PARQUET) or length > size - _TAIL:
        raise damaged(name, "its footer is missing or cut off", size)
    if length > MAX_FOOTER_OCTETS:
        raise beyond(
            name, f"a footer of {length:,} octets", f"at most {MAX_FOOTER_OCTETS >> 20} MiB", size - _TAIL
        )
    at = size - _TAIL - length
    file.seek(at)
    try:
        rows, groups = _declared(Compact(file.read(min(length, MAX_PAGE_HEADER_OCTETS))), name, at)
    except NotThrift as error:
        raise damaged(name, f"its footer: {error}", at) from None
    if groups > MAX_ROW_GROUPS:
        raise beyond(name, f"{groups:,} row groups", f"at most {MAX_ROW_GROUPS:,}", at)
    check_rows(rows, octets, name)
    file.seek(0)


def _declared(footer: Compact, name: str, at: int) -> tuple[int, int]:
    """Rows and row groups that a footer declares, which stand behind the schema. Raises ExportError, NotThrift."""
    found, number = {_ROWS: 0}, 0
    while (field := footer.field(number)) is not None:
        number, _ = field
        if number == _SCHEMA:
            columns, _ = footer.entries()
            if columns > MAX_COLUMNS + 1:  # the root is one of them
                raise beyond(name, f"{columns - 1:,} columns", f"at most {MAX_COLUMNS}", at)
            for _ in range(columns):
                footer.fields()
        elif number == _ROW_GROUPS:
            return found[_ROWS], footer.entries()[0]
        else:
            found[number] = footer.number()
    raise NotThrift("it declares no row groups")


def check_rows(rows: int, octets: int, name: str) -> None:
    """Raises ExportError where a file of so many octets has more records than any export."""
    most = most_records(octets)
    if not 0 <= rows <= most:
        raise beyond(name, f"{rows:,} records in {octets:,} octets", f"at most {most:,}")


def check_columns(file: pq.ParquetFile, name: str) -> None:
    """Raises ExportError unless the columns of the flow table are each there once and of a type that fits."""
    seen: set[str] = set()
    for number in range(len(file.schema)):
        column = file.schema.column(number)
        wanted = _PHYSICAL.get(column.path.partition(".")[0])
        if wanted is None:
            continue
        if (
            column.path in seen
            or column.physical_type not in wanted
            or column.max_repetition_level
            or column.max_definition_level > 1
        ):
            raise damaged(name, f"column {column.path[:60]!r} is not as flowdiag writes it")
        seen.add(column.path)


class Pages:
    """Looks at the page headers of a file's row groups, one group after another, before they are read."""

    def __init__(self, file: IO[bytes], parquet: pq.ParquetFile, octets: int, name: str) -> None:
        self._file = file
        self._metadata = parquet.metadata
        self._name = name
        self._pages_left = FREE_PAGES + parquet.metadata.num_rows // RECORDS_A_PAGE
        self._octets_left = max(FREE_OCTETS, MAX_RATIO * octets)

    def check(self, number: int) -> None:
        """Raises ExportError for a row group that would unpack to more than the bounds allow, or whose pages are not
        where it says."""
        group = self._metadata.row_group(number)
        for index in range(group.num_columns):
            column = group.column(index)
            if column.path_in_schema in _PHYSICAL:
                self._check_column(column)

    def _check_column(self, column: Any) -> None:
        starts = [column.data_page_offset]
        if column.has_dictionary_page and 0 < column.dictionary_page_offset < starts[0]:
            starts.append(column.dictionary_page_offset)
        at = min(starts)
        end = at + column.total_compressed_size
        unpacked = 0
        while at < end:
            header, length = self._header(at)
            packed, size = header.get(_PACKED), header.get(_UNPACKED)
            if not isinstance(packed, int) or not isinstance(size, int) or packed < 0 or size < 0:
                raise damaged(self._name, "a page without a length", at)
            self._check_encoding(header, at)
            unpacked += size
            if size > MAX_PAGE_OCTETS or unpacked > MAX_COLUMN_OCTETS:
                raise beyond(
                    self._name,
                    f"a page of {size:,} octets"
                    if size > MAX_PAGE_OCTETS
                    else f"more than {MAX_COLUMN_OCTETS >> 20} MiB of one column in a row group",
                    f"pages of at most {MAX_PAGE_OCTETS >> 20} MiB and {MAX_COLUMN_OCTETS >> 20} MiB a column",
                    at,
                )
            self._pages_left -= 1
            self._octets_left -= size
            if self._pages_left < 0 or self._octets_left < 0:
                raise beyond(
                    self._name, "more or greater pages than its size allows", "pages as flowdiag writes", at
                )
            at += length + packed

    def _check_encoding(self, header: Fields, at: int) -> None:
        for kind, number in _ENCODING.items():
            part = header.get(kind)
            if isinstance(part, dict) and part.get(number) == _DELTA_BYTE_ARRAY:
                raise beyond(
                    self._name, "values in the encoding DELTA_BYTE_ARRAY", "encodings as flowdiag writes", at
                )

    def _header(self, at: int) -> tuple[Fields, int]:
        """The page header at an offset, and its length."""
        for most in (PAGE_HEADER_OCTETS, MAX_PAGE_HEADER_OCTETS):
            self._file.seek(at)
            reader = Compact(self._file.read(most))
            try:
                return reader.fields(), reader.at
            except CutShort:
                continue
            except NotThrift as error:
                raise damaged(self._name, f"a page header: {error}", at) from None
        raise damaged(self._name, "a page header that ends early", at)
