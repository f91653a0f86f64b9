"""What must hold for any octets as a Parquet file: batches of FLOW_SCHEMA within the bounds, or ExportError of one line."""

from __future__ import annotations

import io
import random

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from flowdiag.collector.readers.density import most_records
from flowdiag.collector.readers.parquet import read_parquet
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.stored_flows import StoredFlows, flow_metadata
from flowdiag.collector.readers.window import Window
from flowdiag.collector.report import ExportReport
from flowdiag.errors import ExportError
from flowdiag.flows import FLOW_SCHEMA
from tests.fuzz.target import Broken
from tests.hostile.tables import table

_TAIL = 8


def read_table(octets: bytes) -> None:
    """Reads a table. Raises Broken, or whatever the reader wrongly raises."""
    report = ExportReport()
    stored = StoredFlows(report)
    rows = 0
    try:
        for batch in read_parquet(Window(io.BytesIO(octets)), Source("table", 0, report), stored):
            batch.validate(full=True)
            if batch.schema != FLOW_SCHEMA:
                raise Broken("a batch of another schema")
            rows += batch.num_rows
            stored.add_rows(batch)
    except ExportError as error:
        if len(str(error).splitlines()) != 1:
            raise Broken(f"an error of more or less than one line: {str(error)!r}") from error
    if rows > most_records(len(octets)):
        raise Broken(f"{rows} rows in {len(octets)} octets")


def mutate(octets: bytes, most: int, seed: int) -> bytes:
    """Some octets of the footer or of the pages are others, and the length of the footer stays true: elsewhere a change
    is noticed at once."""
    chance = random.Random(seed)
    changed = bytearray(octets[:most])
    if len(changed) < 2 * _TAIL:
        return bytes(changed)
    footer = len(changed) - _TAIL - int.from_bytes(changed[-_TAIL:-4], "little")
    begin = footer if 0 < footer < len(changed) - _TAIL and chance.random() < 0.7 else 4
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(begin, len(changed) - _TAIL)
        changed[at] = chance.choice(
            (0, 1, 0x7F, 0x80, 0xFF, changed[at] ^ 1 << chance.randrange(8), chance.randrange(256))
        )
    return bytes(changed)


def seeds() -> dict[str, bytes]:
    """Small tables in the encodings that flowdiag writes, and in others."""
    few = table(9, src_port=pa.array(np.arange(9, dtype=np.uint16)))
    report = flow_metadata(ExportReport())
    return {
        "plain": _written(few, flow_metadata(), use_dictionary=False, compression="none"),
        "dictionary": _written(few, flow_metadata(), compression="none"),
        "zstd": _written(few, report, compression="zstd"),
        "by-difference": _written(
            few,
            report,
            compression="none",
            use_dictionary=["application"],
            column_encoding={"src_port": "DELTA_BINARY_PACKED", "start": "DELTA_BINARY_PACKED"},
        ),
        "pages-2": _written(few, flow_metadata(), data_page_version="2.0", compression="snappy"),
        "groups": _written(few, flow_metadata(), row_group_size=4, compression="none"),
    }


def _written(content: pa.Table, metadata: dict[bytes, bytes], **options: object) -> bytes:
    made = io.BytesIO()
    pq.write_table(content.replace_schema_metadata(metadata), made, store_schema=False, **options)
    return made.getvalue()
