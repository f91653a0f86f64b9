"""Record batches become the site's flows, the usage of its links, and the coverage of the export."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from flowdiag.aggregator.addresses import Networks
from flowdiag.aggregator.applications import applications
from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.framing import wire_octets
from flowdiag.aggregator.resolution import estimate_resolution
from flowdiag.aggregator.site_flows import DOWN, NO_LINK, UP, SiteFlows
from flowdiag.aggregator.spread import spread
from flowdiag.aggregator.usage import Usage
from flowdiag.collector.report import ExportReport
from flowdiag.site.profile import Profile

WINDOW_MS: Final = 60_000
CLOCK_MS: Final = 5_000  # an exporter's clock this far off the capture's is named and corrected
MOST_WINDOWS: Final = 1_000_000  # almost two years of minutes
PRIVATE: Final = ["10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "fc00::/7"]  # RFC 1918, RFC 4193
FEW: Final = (
    0.2  # a metering point that sees less than this share of the other's octets does not meter this link
)

Columns = dict[str, NDArray[Any]]


def build_case_data(
    batches: Iterable[pa.RecordBatch], report: ExportReport, profile: Profile
) -> tuple[SiteFlows, Usage, Coverage]:
    """Reads all batches (the report is complete only then) and builds the shapes the diagnoser works on."""
    book: dict[bytes, int] = {}
    parts = [_compact(batch, book) for batch in batches if batch.num_rows]
    names = list(parts[0]) if parts else list(_compact(_empty(), book))
    cols = {k: np.concatenate([p[k] for p in parts]) if parts else np.zeros(0, np.int64) for k in names}
    notes: list[str] = []
    offset = _clock_offset(report, notes)
    records = len(cols["start"])
    if impossible := int((cols["start"] < 0).sum()):
        notes.append(f"{impossible} records without believable times or addresses are left out of usage.")
    keep = (cols["start"] >= 0) & (cols["src"] >= 0)
    cols = {k: v[keep] for k, v in cols.items()}
    cols["start"] = cols["start"] + offset
    cols["end"] = cols["end"] + offset
    addresses = tuple(book)
    inside = np.array([_inside(a, Networks(profile.site.lan or PRIVATE)) for a in addresses] or [False])
    rows, link, direction, apart = _assign(cols, profile, inside, notes)
    flows = _site_flows(cols, rows, link, direction, profile, addresses, inside)
    usage = _usage(flows, profile, report, offset)
    return flows, usage, _coverage(flows, usage, report, records, apart, offset, notes)


def _empty() -> pa.RecordBatch:
    from flowdiag.flows import FLOW_SCHEMA

    return pa.RecordBatch.from_arrays([pa.array([], f.type) for f in FLOW_SCHEMA], schema=FLOW_SCHEMA)


def _inside(address: bytes, networks: Networks) -> bool:
    return networks.match(address) is not None


def _compact(batch: pa.RecordBatch, book: dict[bytes, int]) -> Columns:
    """numpy columns of a batch; missing numbers are -1, addresses are interned in `book`."""

    def number(name: str, dtype: Any) -> NDArray[Any]:
        column = batch[name]
        if column.null_count:
            column = pc.fill_null(column.cast(pa.int64()), -1)
        values: NDArray[Any] = column.to_numpy(zero_copy_only=False).astype(dtype)
        return values

    def address(name: str) -> NDArray[np.int32]:
        coded = batch[name].dictionary_encode()
        ids = np.array([book.setdefault(v.as_py(), len(book)) for v in coded.dictionary], np.int32)
        index = pc.fill_null(coded.indices, -1).to_numpy(zero_copy_only=False)
        return np.where(index < 0, -1, ids[index]) if len(ids) else np.full(len(index), -1, np.int32)

    return {
        "start": pc.fill_null(batch["start"].cast(pa.int64()), -1).to_numpy(zero_copy_only=False),
        "end": pc.fill_null(batch["end"].cast(pa.int64()), -1).to_numpy(zero_copy_only=False),
        "src": address("src_address"),
        "dst": address("dst_address"),
        "sport": number("src_port", np.int32),
        "dport": number("dst_port", np.int32),
        "protocol": number("protocol", np.int16),
        "octets": number("octets", np.float64),
        "packets": number("packets", np.float64),
        "ingress": number("ingress_interface", np.int64),
        "egress": number("egress_interface", np.int64),
        "flags": number("tcp_flags", np.int32),
        "dscp": number("dscp", np.int8),
        "kind": number("direction", np.int8),
        "reason": np.maximum(number("end_reason", np.int16), 0).astype(np.uint8),
        "sampling": number("sampling", np.float32),
        "name": np.array(batch["application"].cast(pa.string()).to_pylist(), object)
        if batch["application"].null_count < batch.num_rows
        else np.full(batch.num_rows, None, object),
    }


def _clock_offset(report: ExportReport, notes: list[str]) -> int:
    offsets = [s.clock_offset_ms for s in report.sessions if s.clock_offset_ms is not None and s.records]
    if not offsets:
        return 0
    offset = int(np.median(offsets))
    if abs(offset) <= CLOCK_MS:
        return 0
    way = "behind" if offset > 0 else "ahead of"
    notes.append(
        f"The exporter's clock is {abs(offset) / 1000:.0f} s {way} the capture's clock; times are the capture's."
    )
    return offset


def _assign(
    cols: Columns, profile: Profile, inside: NDArray[np.bool_], notes: list[str]
) -> tuple[NDArray[np.int64], NDArray[np.int8], NDArray[np.int8], bool]:
    """Row numbers with the link and direction each counts on; a record metered twice counts once per link."""
    n = len(cols["start"])
    every = np.arange(n)
    if not ((cols["ingress"] > 0) | (cols["egress"] > 0)).any() and n:
        if len(profile.link) != 1:
            notes.append("The export has no interface numbers, so the links cannot be told apart.")
            return every, np.full(n, NO_LINK, np.int8), np.full(n, -1, np.int8), len(profile.link) <= 1
        notes.append("The export has no interface numbers; directions come from the site's networks.")
        src, dst = inside[cols["src"]], inside[cols["dst"]]
        way = np.where(src & ~dst, UP, np.where(dst & ~src, DOWN, -1)).astype(np.int8)
        return every, np.where(way >= 0, 0, NO_LINK).astype(np.int8), way, True
    rows, links, ways = [], [], []
    used = np.zeros(n, bool)
    twice = 0
    for number, link in enumerate(profile.link):
        for side, column, own in ((DOWN, "ingress", 0), (UP, "egress", 1)):
            mask = np.isin(cols[column], link.interfaces)
            used |= mask
            kinds = cols["kind"][mask]
            if (kinds == own).any() and (kinds != own).any():
                mine, other = mask & (cols["kind"] == own), mask & (cols["kind"] != own)
                chosen = mine if cols["octets"][mine].sum() >= FEW * cols["octets"][other].sum() else other
                twice += int(mask.sum() - chosen.sum())
                mask = chosen
            at = np.flatnonzero(mask)
            rows.append(at)
            links.append(np.full(len(at), number, np.int8))
            ways.append(np.full(len(at), side, np.int8))
    local = np.flatnonzero(~used)
    rows.append(local)
    links.append(np.full(len(local), NO_LINK, np.int8))
    ways.append(np.full(len(local), -1, np.int8))
    if twice:
        notes.append(
            f"The exporter meters at ingress and at egress; {twice} second sightings are not counted."
        )
    row, link_of, way_of = np.concatenate(rows), np.concatenate(links), np.concatenate(ways)
    order = np.argsort(row, kind="stable")
    return row[order], link_of[order], way_of[order], True


def _site_flows(
    cols: Columns,
    rows: NDArray[np.int64],
    link: NDArray[np.int8],
    direction: NDArray[np.int8],
    profile: Profile,
    addresses: tuple[bytes, ...],
    is_inside: NDArray[np.bool_],
) -> SiteFlows:
    c = {k: v[rows] for k, v in cols.items()}
    from_inside = (direction == UP) | ((direction == -1) & (is_inside[c["src"]] if len(rows) else False))
    wire = c["octets"].copy()
    for number, spec in enumerate(profile.link):
        mine = link == number
        wire[mine] = wire_octets(c["octets"][mine], c["packets"][mine], spec.framing)
    inside_port = np.where(from_inside, c["sport"], c["dport"])
    outside_port = np.where(from_inside, c["dport"], c["sport"])
    application, names, opened = applications(c["protocol"], inside_port, outside_port)
    told = np.array([v is not None for v in c["name"]], bool)
    if told.any():
        extra, index = np.unique(c["name"][told].astype(str), return_inverse=True)
        application[told] = index + len(names)
        names = [*names, *(str(v) for v in extra)]
    syn = (c["protocol"] == 6) & (c["flags"] >= 0) & (c["flags"] & 0x12 == 0x02)
    opened[syn] = from_inside[syn]
    return SiteFlows(
        start_ms=c["start"],
        end_ms=c["end"],
        octets=c["octets"],
        packets=c["packets"],
        wire_octets=wire,
        link=link,
        direction=direction,
        inside=np.where(from_inside, c["src"], c["dst"]).astype(np.int32),
        outside=np.where(from_inside, c["dst"], c["src"]).astype(np.int32),
        inside_port=inside_port.astype(np.int32),
        outside_port=outside_port.astype(np.int32),
        protocol=c["protocol"],
        tcp_flags=c["flags"],
        dscp=c["dscp"],
        application=application,
        opened_inside=opened,
        end_reason=c["reason"],
        sampling=c["sampling"],
        ingress=c["ingress"],
        egress=c["egress"],
        addresses=addresses,
        applications=tuple(names),
    )


def _usage(flows: SiteFlows, profile: Profile, report: ExportReport, offset: int) -> Usage:
    heard = [m * WINDOW_MS + offset for minutes in report.heard_minutes.values() for m in minutes]
    low = [int(flows.start_ms.min())] if len(flows) else heard
    high = [int(flows.end_ms.max())] if len(flows) else heard
    first = min(low, default=0) // WINDOW_MS
    windows = min(max(high, default=0) // WINDOW_MS - first + 1, MOST_WINDOWS) if low else 0
    shape = (len(profile.link), 2, windows)
    out = {k: np.zeros(shape) for k in ("wire_octets", "octets", "packets")}
    for link in range(shape[0]):
        for way in (DOWN, UP):
            mine = (flows.link == link) & (flows.direction == way)
            for name, values in out.items():
                column = getattr(flows, name)[mine]
                values[link, way] = spread(
                    flows.start_ms[mine], flows.end_ms[mine], column, first * WINDOW_MS, WINDOW_MS, windows
                )
    names = tuple(link.name for link in profile.link)
    return Usage(first * WINDOW_MS, WINDOW_MS, names, out["wire_octets"], out["octets"], out["packets"])


def _coverage(
    flows: SiteFlows,
    usage: Usage,
    report: ExportReport,
    records: int,
    apart: bool,
    offset: int,
    notes: list[str],
) -> Coverage:
    first = usage.start_ms // WINDOW_MS
    covered = np.zeros(usage.windows + 1, np.int64)
    if len(flows):
        begin = np.clip(flows.start_ms // WINDOW_MS - first, 0, usage.windows)
        finish = np.clip(flows.end_ms // WINDOW_MS - first + 1, 0, usage.windows)
        np.add.at(covered, begin, 1)
        np.add.at(covered, finish, -1)
    heard = np.cumsum(covered)[: usage.windows] > 0
    for minutes in report.heard_minutes.values():
        at = np.array(sorted(minutes), np.int64) + offset // WINDOW_MS - first
        heard[at[(at >= 0) & (at < usage.windows)]] = True
    announced = [s.active_timeout_s for s in report.sessions if s.active_timeout_s]
    resolution, known = estimate_resolution(
        flows.end_ms - flows.start_ms, announced[0] if announced else None
    )
    notes.append(
        f"Records are at most {resolution} s long; shorter bursts cannot be seen."
        if known
        else f"The records do not show the exporter's active timeout; {resolution} s is assumed."
    )
    factor = max((s.sampling for s in report.sessions), default=1.0)
    if factor > 1:
        notes.append(f"The export is sampled; figures are scaled up by {factor:g}.")
    if any(s.lost_is_estimate and s.lost_messages for s in report.sessions):
        notes.append(
            "Lost records are an estimate: lost NetFlow v9 messages times the mean records a message."
        )
    notes.extend(report.notes)
    return Coverage(
        records=records,
        first_ms=int(flows.start_ms.min()) if len(flows) else None,
        last_ms=int(flows.end_ms.max()) if len(flows) else None,
        heard=heard,
        losses=tuple(report.losses),
        lost_records=report.lost_records,
        lost_messages=report.lost_messages,
        lost_is_estimate=any(s.lost_is_estimate and s.lost_messages for s in report.sessions),
        undecoded_records=report.undecoded_records,
        sampling=factor,
        resolution_s=resolution,
        resolution_known=known,
        links_apart=apart,
        interface_names={i.index: i.name for i in report.interfaces.values()},
        notes=tuple(notes),
    )
