"""Parquet files with flowdiag's mark, each declaring or unpacking to more than it weighs."""

from __future__ import annotations

import gzip
import io
import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from flowdiag.addresses import V4_PREFIX
from flowdiag.collector.readers.stored_flows import REPORT_KEY, flow_metadata
from flowdiag.collector.report import ExportReport
from flowdiag.flows import FLOW_SCHEMA
from tests.collector.decode.wire import EXPORT_S

_ONE: dict[str, Any] = dict.fromkeys(FLOW_SCHEMA.names)
_ONE |= {
    "start": (EXPORT_S - 60) * 1000, "end": EXPORT_S * 1000, "src_address": V4_PREFIX + bytes((10, 0, 0, 1)),
    "dst_address": V4_PREFIX + bytes((198, 51, 100, 1)), "src_port": 1234, "dst_port": 443, "protocol": 6,
    "octets": 1500, "packets": 2, "ingress_interface": 2, "egress_interface": 1, "application": "https",
    "exporter": V4_PREFIX + bytes((192, 0, 2, 1)), "domain": 1, "sampling": 1,
}  # fmt: skip


def table(rows: int, **changed: pa.Array) -> pa.Table:
    """One flow so many times, with some columns of another content."""
    columns = []
    for name, kind in zip(FLOW_SCHEMA.names, FLOW_SCHEMA.types, strict=True):
        if name in changed:
            columns.append(changed[name].cast(kind) if changed[name].type != kind else changed[name])
        elif isinstance(kind, pa.DictionaryType):
            indices = pa.array(np.zeros(rows, np.int32))
            columns.append(pa.DictionaryArray.from_arrays(indices, pa.array([_ONE[name]], pa.string())))
        elif _ONE[name] is None:
            columns.append(pa.nulls(rows, kind))
        else:
            columns.append(pa.repeat(pa.scalar(_ONE[name], kind), rows))
    return pa.Table.from_arrays(columns, schema=FLOW_SCHEMA)


def _scaled(octets: int, most: int) -> int:
    """So many for a file of 19 million octets, fewer for a smaller one."""
    return max(most * octets // 19_000_000, 1)


def written(
    content: pa.Table,
    *,
    metadata: dict[bytes, bytes] | None = None,
    times: int = 1,
    one_group: bool = False,
    group_rows: int = 1 << 40,
    **options: Any,
) -> bytes:
    """A Parquet file of a table so many times, as row groups one after another or as one."""
    metadata = metadata or flow_metadata()
    made = io.BytesIO()
    schema = content.schema.with_metadata(metadata)
    with pq.ParquetWriter(made, schema, compression="zstd", **options) as writer:
        content = content.replace_schema_metadata(metadata)
        for _ in range(times):
            if one_group:
                for batch in content.to_batches():
                    writer.write_batch(batch, row_group_size=1 << 40)
            else:
                writer.write_table(content, row_group_size=group_rows)
    return made.getvalue()


def one_group_of_runs(octets: int) -> bytes:
    """Six million equal rows, which are runs, in one row group of some kilobytes."""
    return written(table(1 << 17), times=_scaled(octets, 48), one_group=True)


def many_groups_of_runs(octets: int) -> bytes:
    """Twenty million equal rows in ordinary row groups."""
    return written(table(1 << 17), times=_scaled(octets, 160))


def pages_of_runs(octets: int) -> bytes:
    """Six million equal rows in one page a column."""
    return written(table(1 << 17), times=_scaled(octets, 48), one_group=True, data_page_size=1 << 30)


def long_names(octets: int) -> bytes:
    """Application names of 256 KiB each, some dozens of them, over a hundred thousand rows."""
    names = pa.array([chr(97 + k % 26) * (1 << 18) for k in range(64)])
    indices = pa.array(np.arange(5_000, dtype=np.int32) % 64)
    longest = pa.DictionaryArray.from_arrays(indices, names)
    return written(
        table(5_000, application=longest),
        times=_scaled(octets, 20),
        one_group=True,
        dictionary_pagesize_limit=1 << 30,
    )


def one_long_name(octets: int) -> bytes:
    """One application name of three hundred megabytes."""
    names = pa.array(["a" * _scaled(octets, 300 << 20)])
    return written(
        table(10, application=pa.DictionaryArray.from_arrays(pa.array([0] * 10, pa.int32()), names))
    )


def plain_names(octets: int) -> bytes:
    """Long names, not as a dictionary: a gigabyte when unpacked."""
    rows = _scaled(octets, 5_000)
    names = pa.array(["a" * 200_000] * rows)
    plain = table(rows)
    at = FLOW_SCHEMA.get_field_index("application")
    return written(plain.set_column(at, "application", names), use_dictionary=False)


def distinct_names(octets: int) -> bytes:
    """Another application name in each row."""
    rows = _scaled(octets, 1_000_000)
    names = pa.array([f"application {k:08d}" for k in range(rows)])
    return written(
        table(
            rows, application=pa.DictionaryArray.from_arrays(pa.array(np.arange(rows, dtype=np.int32)), names)
        )
    )


def exporters_and_domains(octets: int) -> bytes:
    """Each row of another exporter and another domain."""
    rows = _scaled(octets, 1_500_000)
    numbers = np.arange(rows, dtype=np.uint32)
    addresses = np.zeros((rows, 4), np.uint32)
    addresses[:, 2] = np.frombuffer(V4_PREFIX, np.uint32)[2]
    addresses[:, 3] = numbers
    exporters = pa.Array.from_buffers(pa.binary(16), rows, [None, pa.py_buffer(addresses.tobytes())])
    return written(table(rows, exporter=exporters, domain=pa.array(numbers)))


def distinct_rows(octets: int) -> bytes:
    """Rows of distinct hosts."""
    rows = _scaled(octets, 4_000_000)
    numbers = np.arange(rows, dtype=np.uint32)
    addresses = np.zeros((rows, 4), np.uint32)
    addresses[:, 2] = np.frombuffer(V4_PREFIX, np.uint32)[2]
    addresses[:, 3] = (numbers + (10 << 24)).byteswap()
    inside = pa.Array.from_buffers(pa.binary(16), rows, [None, pa.py_buffer(addresses.tobytes())])
    ports = pa.array((numbers * 7 % 65_536).astype(np.uint16))
    return written(
        table(rows, src_address=inside, src_port=ports),
        group_rows=1 << 17,
        use_dictionary=[name for name in FLOW_SCHEMA.names if name not in ("src_address", "src_port")],
        column_encoding={"src_port": "DELTA_BINARY_PACKED"},
    )


def times_all_over(octets: int) -> bytes:
    """Rows of all times that 64 bits can say, years before the first and after the last."""
    rows = _scaled(octets, 1_000_000)
    numbers = np.arange(rows, dtype=np.int64)
    start = pa.array(numbers * 9_223_372_036_854 - 2**62)
    end = pa.array(numbers * 9_223_372_036_854)
    kind = FLOW_SCHEMA.field("start").type
    return written(table(rows, start=start.cast(kind), end=end.cast(kind)))


def years_long(octets: int) -> bytes:
    """Rows that last a thousand years."""
    rows = _scaled(octets, 1_000_000)
    numbers = np.arange(rows, dtype=np.int64)
    kind = FLOW_SCHEMA.field("start").type
    start = pa.array((EXPORT_S - 31_556_952_000 + numbers) * 1000)
    return written(table(rows, start=start.cast(kind)))


def thousand_days(octets: int) -> bytes:
    """Rows spread over as many days as are kept, each of which lasts them all."""
    rows = _scaled(octets, 1_000_000)
    numbers = np.arange(rows, dtype=np.int64)
    kind = FLOW_SCHEMA.field("start").type
    start = pa.array((EXPORT_S - numbers * 85) * 1000)
    end = pa.array((EXPORT_S + numbers % 7) * 1000)
    return written(table(rows, start=start.cast(kind), end=end.cast(kind)))


def row_groups(octets: int) -> bytes:
    """Row groups of one row each, as many as the file holds."""
    return written(table(1), times=octets // 4_000)


def pages(octets: int) -> bytes:
    """Pages of a few rows, as many as the file holds."""
    return written(table(octets // 10), data_page_size=1, write_batch_size=16, use_dictionary=False)


def columns(octets: int) -> bytes:
    """Ten thousand columns that no flow table has."""
    wide = table(1)
    for number in range(octets // 2_000):
        wide = wide.append_column(f"more{number}", pa.array([1], pa.int8()))
    return written(wide)


def deep_columns(octets: int) -> bytes:
    """A column of lists in lists in lists."""
    kind: pa.DataType = pa.int8()
    for _ in range(90):
        kind = pa.list_(kind)
    return written(table(1).append_column("deep", pa.nulls(1, kind)))


def long_metadata(octets: int) -> bytes:
    """Schema metadata as long as the file."""
    return written(table(1), metadata=flow_metadata() | {b"x" * 1_000: b"y" * octets})


def _reported(**changed: Any) -> bytes:
    report = json.loads(flow_metadata(ExportReport())[REPORT_KEY]) | changed
    return written(
        table(1), metadata=flow_metadata() | {REPORT_KEY: json.dumps(report, separators=(",", ":")).encode()}
    )


def reported_minutes(octets: int) -> bytes:
    """A report in which an exporter was heard in a million minutes."""
    return _reported(heard_minutes={"00" * 16: list(range(octets // 8))})


def reported_losses(octets: int) -> bytes:
    """A report of a hundred thousand losses."""
    loss = {"exporter": "00" * 16, "domain": 1, "time_ms": EXPORT_S * 1000, "messages": 1, "records": 1}
    return _reported(losses=[loss | {"time_ms": EXPORT_S * 1000 + k} for k in range(octets // 128)])


def reported_interfaces(octets: int) -> bytes:
    """A report of a hundred thousand interfaces with long names."""
    named = {"exporter": "00" * 16, "name": "n" * 60, "description": "\U0001f4a9" * 8}
    return _reported(interfaces=[named | {"index": k} for k in range(octets // 250)])


def reported_notes(octets: int) -> bytes:
    """A report of a million notes."""
    return _reported(notes=[f"{k} of them" for k in range(octets // 20)])


def reported_deep(octets: int) -> bytes:
    """A report nested as deep as it is long."""
    return written(table(1), metadata=flow_metadata() | {REPORT_KEY: b"[" * (octets // 2)})


def reported_lists(octets: int) -> bytes:
    """A report of as many empty lists as it holds."""
    report = b'{"sessions":[' + b"[]," * (octets // 3) + b"[]]}"
    return written(table(1), metadata=flow_metadata() | {REPORT_KEY: report})


def reported_digits(octets: int) -> bytes:
    """A report with numbers of five thousand digits."""
    return (
        _reported(impossible_times=0)
        if octets < 0
        else written(
            table(1), metadata=flow_metadata() | {REPORT_KEY: b'{"sessions":[' + b"9" * 5_000 + b"]}"}
        )
    )


def packed_runs(octets: int) -> bytes:
    """A table of runs, compressed once more."""
    return gzip.compress(one_group_of_runs(octets), mtime=0)


def packed_padding(octets: int) -> bytes:
    """The mark of Parquet, and gigabytes of zeros behind it, compressed."""
    from tests.hostile.compressed import gzipped, zeros

    return gzipped([b"PAR1", *zeros(_scaled(octets, 1 << 30))]) * 16


KINDS: tuple[Callable[[int], bytes], ...] = (
    one_group_of_runs, long_names, one_long_name, plain_names, distinct_names,
    exporters_and_domains, distinct_rows, times_all_over, years_long, thousand_days, row_groups, pages, columns,
    deep_columns, long_metadata, reported_minutes, reported_losses, reported_interfaces, reported_notes, reported_deep,
    reported_lists, reported_digits, packed_padding, many_groups_of_runs, pages_of_runs, packed_runs,
)  # fmt: skip
