"""A portfolio as a flow store and a folder of site profiles, written straight as stored flows, with the truth beside it.

Facts the design follows:
- what a review costs depends on records and files, so both are as a collector would leave them: one file for each
  exporter and day, the exporter's signs of life with it, two hundred records a site and hour;
- each five minutes' demand is shared out over records that lie within it, so that the store holds exactly the demand.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.addresses import to_bytes
from flowdiag.collector.report import ExportReport, SessionReport
from flowdiag.collector.store.changes import commit, make_store
from flowdiag.collector.store.folder import Folder
from flowdiag.collector.store.layout import Partition
from flowdiag.collector.store.rolling import Roller
from flowdiag.collector.store.writer import FlowWriter, change_of
from flowdiag.durations import DAY_MS
from flowdiag.flows import FLOW_SCHEMA
from flowdiag.scenario.network import OCTETS_PER_MBPS_MS
from flowdiag.scenario.portfolio import SLOT_MS, SLOTS_A_DAY, PortfolioSite, portfolio_site
from flowdiag.scenario.site import OVERHEAD_OCTETS, SiteLink, profile_toml

RECORDS_A_HOUR: Final = 200
HOSTS: Final = 40
SERVERS: Final = 300
PACKET_OCTETS: Final = 1200  # mean of a download; framing comes on top
LONGEST_MS: Final = SLOT_MS  # the exporter's active timeout
EDGE_MS: Final = 5_000  # records begin and end so near to the ends of a slot: rates are steady within it
JOB_HOST: Final = 200  # last octet of the runaway host
LAN_INTERFACE: Final = 1
KEEPALIVE_OCTETS: Final = 84
_SLOTS_AN_HOUR: Final = 12


class Written(Struct, frozen=True):
    """Where a portfolio lies, and its size."""

    store: Path
    sites: Path
    truth: Path
    records: int


class Unsynced(Folder):
    """A folder whose files need not survive a power cut."""

    def seal(self, paths: Sequence[str]) -> None:
        pass

    def settle(self, paths: list[str]) -> None:
        pass


def write_portfolio(
    folder: Path,
    sites: int | Sequence[int],
    first: datetime,
    days: int,
    *,
    seed: int = 1,
    records_an_hour: int = RECORDS_A_HOUR,
    begin_day: int = 0,
    roller: Roller | None = None,
) -> Written:
    """Writes the store `flows`, the profiles `sites/*.toml` and `truth.json` into a folder.

    sites: how many, or their numbers; first: midnight UTC; days: that are drawn; begin_day: the first of them that is
    written, so that a later call adds the days after an earlier one's; roller: makes the store's roll-ups.
    """
    backend = Unsynced(folder / "flows")
    make_store(backend)
    (folder / "sites").mkdir(parents=True, exist_ok=True)
    records = 0
    truth = []
    for position, number in enumerate(range(sites) if isinstance(sites, int) else sites):
        drawn = portfolio_site(number, first, days, seed)
        (folder / "sites" / f"site-{position:05d}.toml").write_text(
            profile_toml(drawn.site), encoding="utf-8"
        )
        records += write_site(backend, drawn, seed, records_an_hour, range(begin_day, days), roller=roller)
        truth.append(
            {
                "site": drawn.site.name,
                "kind": drawn.kind,
                "advice": drawn.advice,
                "level": drawn.level,
                "growth_month": drawn.growth_month,
                "failovers": drawn.failovers,
                "leaks": drawn.leaks,
            }
        )
    (folder / "truth.json").write_text(json.dumps(truth, indent=1), encoding="utf-8")
    return Written(folder / "flows", folder / "sites", folder / "truth.json", records)


def write_site(
    backend: Folder,
    drawn: PortfolioSite,
    seed: int,
    records_an_hour: int,
    days: range,
    *,
    roller: Roller | None = None,
) -> int:
    """Adds some days of a site to a store, which has none of them yet. Gives the number of records."""
    exporter = to_bytes(drawn.site.exporter)
    unit = f"{drawn.number:06d}{days.start:06d}"
    writer = FlowWriter(backend, unit, drawn.start_ms + days.start * DAY_MS, roller=roller)
    reports = {}
    for day in days:
        slots = slice(day * SLOTS_A_DAY, (day + 1) * SLOTS_A_DAY)
        if not drawn.shares[:, :, slots].any():
            continue
        partition = Partition(exporter, drawn.start_ms // DAY_MS + day)
        rng = np.random.default_rng([seed, drawn.number, day])
        writer.put(partition, day_records(drawn, slots, rng, records_an_hour))
        reports[partition] = _heard(exporter, partition.day)
    rows = sum(writer.partitions.values())
    written = writer.finish(reports)
    commit(backend, change_of(written))
    return rows


def day_records(
    drawn: PortfolioSite, slots: slice, rng: np.random.Generator, records_an_hour: int
) -> pa.RecordBatch:
    """The flow records of some slots in order of their ends: FLOW_SCHEMA."""
    parts = []
    each = max(-(-records_an_hour // _SLOTS_AN_HOUR) // 2, 1)
    for link, plan in enumerate(drawn.site.links):
        for direction in (0, 1):
            a_slot = plan.capacity_mbps(direction) * OCTETS_PER_MBPS_MS * SLOT_MS
            crowd = (drawn.shares - drawn.job)[link, direction, slots] * a_slot
            job = drawn.job[link, direction, slots] * a_slot
            parts.append(_crowd(rng, crowd, slots.start, plan, direction, each))
            parts.append(_job(job, slots.start, plan, direction))
        if plan.role == "backup":
            parts.append(_keepalives(slots, plan))
    columns = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    order = np.argsort(columns["end"], kind="stable")
    return _batch({name: column[order] for name, column in columns.items()}, drawn)


_Columns = dict[str, NDArray[np.int64]]


def _crowd(
    rng: np.random.Generator,
    wire: NDArray[np.float64],
    first: int,
    plan: SiteLink,
    direction: int,
    each: int,
) -> _Columns:
    """Many hosts share each slot's octets by chance."""
    busy = np.flatnonzero(wire > 0)
    weights = rng.standard_exponential((len(busy), each))
    shares = wire[busy, None] * weights / weights.sum(axis=1, keepdims=True)
    rows = shares.size
    begin = np.repeat((first + busy) * SLOT_MS, each)
    start, end = (
        begin + rng.integers(0, EDGE_MS, rows),
        begin + LONGEST_MS - 1 - rng.integers(0, EDGE_MS, rows),
    )
    host = 20 + rng.integers(0, HOSTS, rows)
    return _columns(shares.ravel(), start, end, host, rng.integers(0, SERVERS, rows), plan, direction)


def _job(wire: NDArray[np.float64], first: int, plan: SiteLink, direction: int) -> _Columns:
    """One host's job: a record in each slot."""
    busy = np.flatnonzero(wire > 0)
    start = (first + busy) * SLOT_MS
    host, server = np.full(len(start), JOB_HOST), np.zeros(len(start), np.int64)
    return _columns(wire[busy], start, start + LONGEST_MS - 1, host, server, plan, direction)


def _keepalives(slots: slice, plan: SiteLink) -> _Columns:
    """A ping and its answer in each slot."""
    start = np.repeat(np.arange(slots.start, slots.stop, dtype=np.int64) * SLOT_MS + 7_000, 2)
    direction = np.tile([0, 1], len(start) // 2)
    columns = _columns(
        np.full(len(start), KEEPALIVE_OCTETS + OVERHEAD_OCTETS[plan.framing], np.float64),
        start, start + 40, np.ones(len(start), np.int64), np.full(len(start), -1), plan, direction,
    )  # fmt: skip
    return columns | {
        "octets": np.full(len(start), KEEPALIVE_OCTETS),
        "packets": np.ones(len(start), np.int64),
    }


def _columns(
    wire: NDArray[np.float64],
    start: NDArray[np.int64],
    end: NDArray[np.int64],
    host: NDArray[np.int64],
    server: NDArray[np.int64],
    plan: SiteLink,
    direction: int | NDArray[np.int64],
) -> _Columns:
    packets = np.maximum(np.rint(wire / (PACKET_OCTETS + OVERHEAD_OCTETS[plan.framing])), 1).astype(np.int64)
    octets = np.maximum(np.rint(wire) - packets * OVERHEAD_OCTETS[plan.framing], 40).astype(np.int64)
    return {
        "start": start, "end": end, "host": host, "server": server, "octets": octets, "packets": packets,
        "direction": np.broadcast_to(np.asarray(direction, np.int64), start.shape),
        "interface": np.full(len(start), plan.interfaces[0]),
    }  # fmt: skip


def _batch(columns: _Columns, drawn: PortfolioSite) -> pa.RecordBatch:
    rows = len(columns["start"])
    down = columns["direction"] == 0
    ping = columns["server"] < 0
    lan = np.frombuffer(to_bytes(drawn.site.lan[0].partition("/")[0]), np.uint8)
    inside = np.tile(lan, (rows, 1))
    inside[:, 15] = columns["host"]
    outside = np.tile(np.frombuffer(to_bytes("198.18.0.0"), np.uint8), (rows, 1))
    outside[:, 14], outside[:, 15] = columns["server"] // 256 + 1, columns["server"] % 256
    for link in drawn.site.links:
        for keepalive in link.keepalives:
            outside[ping] = np.frombuffer(to_bytes(keepalive.destination), np.uint8)
    client = (50_000 + columns["host"] * 37 + columns["server"] % 1000) % 65_536
    client[ping], server = 0, np.where(ping, 0, 443)
    begin = drawn.start_ms
    values = {
        "start": _times(begin + columns["start"]),
        "end": _times(begin + columns["end"]),
        "src_address": _addresses(np.where(down[:, None], outside, inside)),
        "dst_address": _addresses(np.where(down[:, None], inside, outside)),
        "src_port": pa.array(np.where(down, server, client).astype(np.uint16)),
        "dst_port": pa.array(np.where(down, client, server).astype(np.uint16)),
        "protocol": pa.array(np.where(ping, 1, 6).astype(np.uint8)),
        "octets": pa.array(columns["octets"].astype(np.uint64)),
        "packets": pa.array(columns["packets"].astype(np.uint64)),
        "ingress_interface": pa.array(np.where(down, columns["interface"], LAN_INTERFACE).astype(np.uint32)),
        "egress_interface": pa.array(np.where(down, LAN_INTERFACE, columns["interface"]).astype(np.uint32)),
        "tcp_flags": pa.array(np.where(ping, 0, 0x1B).astype(np.uint16)),
        "dscp": pa.array(np.zeros(rows, np.uint8)),
        "exporter": pa.repeat(pa.scalar(to_bytes(drawn.site.exporter), pa.binary(16)), rows),
        "domain": pa.array(np.zeros(rows, np.uint32)),
        "sampling": pa.array(np.ones(rows, np.uint32)),
    }
    return pa.RecordBatch.from_arrays(
        [values.get(field.name, pa.nulls(rows, field.type)) for field in FLOW_SCHEMA], schema=FLOW_SCHEMA
    )


def _times(values: NDArray[np.int64]) -> pa.Array:
    return pa.array(values).cast(pa.timestamp("ms", tz="UTC"))


def _addresses(octets: NDArray[np.uint8]) -> pa.Array:
    data = pa.py_buffer(np.ascontiguousarray(octets))
    return pa.FixedSizeBinaryArray.from_buffers(pa.binary(16), len(octets), [None, data])


def _heard(exporter: bytes, day: int) -> ExportReport:
    """What a collector tells beside a day of flows: a message each minute."""
    begin = day * DAY_MS // 60_000
    session = SessionReport(exporter, 50_001, 0, "ipfix", messages=1440, active_timeout_s=LONGEST_MS // 1000)
    return ExportReport(sessions=[session], heard_minutes={exporter: set(range(begin, begin + 1440))})
