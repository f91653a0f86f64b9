"""Hand-made flow records and profiles for the aggregator's tests."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa

from flowdiag.addresses import to_bytes
from flowdiag.aggregator.build import build_case_data
from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.usage import Usage
from flowdiag.collector.report import ExportReport
from flowdiag.flows import FLOW_SCHEMA
from flowdiag.site.profile import Framing, Link, Profile, Site
from flowdiag.text.wording.coverage import told

START = 1_772_000_040_000  # a whole minute: 29,533,334 minutes since 1970
SECOND = 1_000
MINUTE = 60_000
EXPORTER = "192.0.2.10"
HOST = "192.168.40.20"
SERVER = "203.0.113.9"
LAN, WAN, LTE = 1, 2, 3

Row = dict[str, Any]


def record(src: str | None, dst: str | None, **changes: Any) -> Row:
    """One flow record of 1000 octets in 10 packets within the first second after START; times in s after START."""
    row: Row = {
        "start": 0.0,
        "end": 1.0,
        "src_address": src,
        "dst_address": dst,
        "src_port": 50_000,
        "dst_port": 443,
        "protocol": 6,
        "octets": 1000,
        "packets": 10,
        "ingress_interface": LAN,
        "egress_interface": WAN,
        "tcp_flags": 0x1B,
        "dscp": 0,
        "direction": None,
        "application": None,
        "end_reason": None,
        "exporter": EXPORTER,
        "domain": 0,
        "sampling": 1,
    }
    assert set(changes) <= set(row), changes
    return {**row, **changes}


def up(src: str = HOST, dst: str = SERVER, **changes: Any) -> Row:
    """A record that leaves by the WAN interface."""
    return record(src, dst, **changes)


def down(src: str = SERVER, dst: str = HOST, **changes: Any) -> Row:
    """A record that arrives at the WAN interface."""
    ports = {"src_port": 443, "dst_port": 50_000, "ingress_interface": WAN, "egress_interface": LAN}
    return record(src, dst, **{**ports, **changes})


def batch(rows: Sequence[Row]) -> pa.RecordBatch:
    """The rows as a batch of the flow table."""
    columns = []
    for field in FLOW_SCHEMA:
        values = [row[field.name] for row in rows]
        if field.name in ("start", "end"):
            moments = [None if value is None else START + round(value * SECOND) for value in values]
            columns.append(pa.array(moments, pa.int64()).cast(field.type))
        elif field.name in ("src_address", "dst_address", "exporter"):
            octets = [None if value is None else to_bytes(value) for value in values]
            columns.append(pa.array(octets, field.type))
        elif field.name == "application":
            columns.append(pa.array(values, pa.string()).dictionary_encode())
        else:
            columns.append(pa.array(values, field.type))
    return pa.RecordBatch.from_arrays(columns, schema=FLOW_SCHEMA)


def site(
    links: Sequence[Link] | None = None,
    lan: Sequence[str] = ("192.168.40.0/24",),
    framing: Framing = "ip",
    **changes: Any,
) -> Profile:
    """A site with one link of 100 and 40 Mbit/s on the WAN interface unless other links are given."""
    one = Link(name="fibre", interfaces=[WAN], down_mbps=100, up_mbps=40, framing=framing)
    return Profile(site=Site(name="Test site", lan=list(lan)), link=list(links or [one]), **changes)


def two_links(first: Sequence[int] = (WAN,), second: Sequence[int] = (LTE,)) -> list[Link]:
    return [
        Link(name="fibre", interfaces=list(first), down_mbps=100, up_mbps=40, framing="ip"),
        Link(name="lte", role="backup", interfaces=list(second), down_mbps=30, up_mbps=5, framing="ip"),
    ]


def build(
    rows: Sequence[Row], profile: Profile | None = None, report: ExportReport | None = None
) -> tuple[SiteFlows, Usage, Coverage]:
    """The three shapes of a case, from rows in two batches."""
    half = len(rows) // 2
    batches = [batch(part) for part in (rows[:half], rows[half:]) if part]
    return build_case_data(batches, report or ExportReport(), profile or site())


def octets_by_direction(flows: SiteFlows, link: int = 0) -> tuple[float, float]:
    """Octets of a link: down, up."""
    on_link = flows.link == link
    down_octets, up_octets = (float(flows.octets[on_link & (flows.direction == way)].sum()) for way in (0, 1))
    return down_octets, up_octets


def note_with(coverage: Coverage, words: str) -> str:
    """The one note that holds some words."""
    found = [note for note in told(coverage.remarks) if words in note]
    assert len(found) == 1, told(coverage.remarks)
    return found[0]


def int_array(*values: int) -> np.ndarray[Any, np.dtype[np.int64]]:
    return np.array(values, np.int64)
