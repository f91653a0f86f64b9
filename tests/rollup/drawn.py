"""Flows to roll up, drawn by numbers, and what an independent calculation in SQL has of them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from flowdiag.addresses import to_bytes
from flowdiag.collector.report import ExportReport
from flowdiag.flows import FLOW_SCHEMA
from flowdiag.rollup.making import RollingSummary
from flowdiag.rollup.shape import RollUp

EXPORTER: Final = to_bytes("192.0.2.1")
HOUR: Final = 3_600_000
MIDNIGHT: Final = 20_000 * 86_400_000  # 2024-10-04


def flows(rows: Sequence[dict[str, Any]]) -> pa.Table:
    """Flows of some columns each; times in ms since midnight, addresses as text. The rest is as of a usual download."""
    usual = {
        "start": 0, "end": 0, "src_address": "198.51.100.7", "dst_address": "10.0.0.5", "src_port": 443, "dst_port": 50_000,
        "protocol": 6, "octets": 1000, "packets": 2, "ingress_interface": 2, "egress_interface": 1, "tcp_flags": 0x1B, "dscp": 0,
        "direction": None, "application": None, "end_reason": 3, "exporter": EXPORTER, "domain": 1, "sampling": 1,
    }  # fmt: skip
    whole = [usual | row for row in rows]
    columns = {}
    for field in FLOW_SCHEMA:
        values = [row[field.name] for row in whole]
        if field.name in ("start", "end"):
            values = [None if value is None else MIDNIGHT + value for value in values]
        if field.name in ("src_address", "dst_address"):
            values = [None if value is None else to_bytes(value) for value in values]
        if field.name == "application":
            columns[field.name] = pa.array(values, pa.string()).dictionary_encode()
        else:
            columns[field.name] = pa.array(values, field.type)
    return pa.table(columns).cast(FLOW_SCHEMA)


def drawn(rows: int, seed: int = 1, hosts: int = 40, servers: int = 400) -> pa.Table:
    """A day of flows of all kinds: both families, several interfaces and code points, unknown columns, sampling."""
    rng = np.random.default_rng(seed)
    down = rng.random(rows) < 0.5
    lan = [to_bytes(f"10.0.0.{n + 1}") for n in range(hosts)]
    wan: list[bytes | None] = [
        to_bytes(f"2001:db8::{n:x}" if n % 3 == 0 else f"198.51.{n // 250}.{n % 250}") for n in range(servers)
    ]
    wan[5], wan[10] = None, lan[0]  # what no record tells, and a neighbour
    inside = [lan[n] for n in rng.integers(0, hosts, rows)]
    outside = [wan[n] for n in np.minimum(rng.zipf(1.3, rows) - 1, servers - 1)]
    end = np.sort(rng.integers(0, 86_400_000, rows))
    start = end - rng.choice([0, 1, 300, 5_000, 60_000, 299_000, 1_800_000], rows) * rng.random(rows)
    client, server = (
        rng.integers(49_152, 65_536, rows),
        np.array([443, 80, 53, 5060, 8443])[rng.integers(0, 5, rows)],
    )
    protocol = rng.choice([6, 17, 1, 47], rows, p=[0.6, 0.3, 0.05, 0.05])
    packets = rng.zipf(1.5, rows) % 100_000 + 1
    octets = packets * rng.integers(20, 1_500, rows)
    columns: dict[str, Any] = {
        "start": _null(MIDNIGHT + start.astype(np.int64), rng, 0.02),
        "end": _null(MIDNIGHT + end, rng, 0.02),
        "src_address": [a if d else b for a, b, d in zip(outside, inside, down, strict=True)],
        "dst_address": [b if d else a for a, b, d in zip(outside, inside, down, strict=True)],
        "src_port": _null(np.where(down, server, client), rng, 0.05),
        "dst_port": _null(np.where(down, client, server), rng, 0.05),
        "protocol": _null(protocol, rng, 0.02),
        "octets": octets, "packets": packets,
        "ingress_interface": _null(np.where(down, 2, 1), rng, 0.1),
        "egress_interface": _null(np.where(down, 1, 2 + rng.integers(0, 2, rows) * 70_000), rng, 0.1),
        "tcp_flags": _null(rng.integers(0, 64, rows), rng, 0.3),
        "dscp": _null(np.array([0, 0, 46, 26])[rng.integers(0, 4, rows)], rng, 0.2),
        "direction": _null(rng.integers(0, 2, rows), rng, 0.5),
        "end_reason": _null(rng.integers(1, 5, rows), rng, 0.2),
        "domain": rng.integers(1, 3, rows), "sampling": np.array([1, 1, 100])[rng.integers(0, 3, rows)],
    }  # fmt: skip
    names = np.array(["web", "mail", "voice"], object)[rng.integers(0, 3, rows)]
    names[rng.random(rows) < 0.5] = None
    arrays = {}
    for field in FLOW_SCHEMA:
        if field.name == "application":
            arrays["application"] = pa.array(names.tolist(), pa.string()).dictionary_encode()
        elif field.name == "exporter":
            arrays["exporter"] = pa.array([EXPORTER] * rows, pa.binary(16))
        else:
            values = columns[field.name]
            arrays[field.name] = pa.array(
                values.tolist() if isinstance(values, np.ndarray) else values, field.type
            )
    return pa.table(arrays).cast(FLOW_SCHEMA)


def _null(values: np.ndarray, rng: np.random.Generator, part: float) -> list[int | None]:
    return [
        None if gone else value
        for value, gone in zip(values.tolist(), rng.random(len(values)) < part, strict=True)
    ]


def rolled(table: pa.Table, report: ExportReport | None = None, piece: int | None = None) -> RollUp:
    """The roll-up of flows; piece: rows that are added at a time."""
    summary = RollingSummary(EXPORTER)
    for begin in range(0, len(table), piece or max(len(table), 1)):
        summary.add(table.slice(begin, piece))
    rollup = summary.rollup(report)
    assert rollup is not None
    return rollup


class Outside:
    """Another database over Parquet files of flows and of a roll-up's tables: view `flows`, and each table by its name.

    closely: bounds are as near as they get, since all was summed up together.
    """

    def __init__(self, folder: Path, table: pa.Table, rollup: RollUp, *, closely: bool) -> None:
        self.closely = closely
        self._connection = duckdb.connect()
        pq.write_table(table, folder / "raw.parquet")
        for name, values in rollup.tables.items():
            pq.write_table(values, folder / f"{name}.parquet")
            self._connection.execute(f"create view {name} as from '{folder / name}.parquet'")
        # What the shape says of unknown values, in SQL; whole numbers throughout.
        self._connection.execute(f"""
            create view flows as
            with known as (
                select *, coalesce(epoch_ms("start"), epoch_ms("end")) as s,
                    greatest(coalesce(epoch_ms("end"), epoch_ms("start")), coalesce(epoch_ms("start"), epoch_ms("end"))) as e
                from '{folder / "raw.parquet"}'
                where ("start" is not null or "end" is not null)
                    and (src_address is not null or dst_address is not null or octets > 0)
            )
            select *, coalesce(ingress_interface, -1)::bigint as ingress, coalesce(egress_interface, -1)::bigint as egress,
                coalesce(direction, 2) as metered, coalesce(dscp, -1) as code, e // 3600000 as "hour",
                greatest(46 * packets::hugeint - octets, 0) as p46, greatest(38 * packets::hugeint - octets, 0) as p38
            from known""")

    def ask(self, query: str) -> list[tuple[Any, ...]]:
        return self._connection.sql(query).fetchall()
