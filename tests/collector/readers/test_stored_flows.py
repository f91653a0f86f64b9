"""What stored flow tables tell a pass besides their rows."""

from __future__ import annotations

from typing import Any

import pyarrow as pa
import pytest

from flowdiag.addresses import V4_PREFIX
from flowdiag.collector.readers import stored_flows
from flowdiag.collector.readers.stored_flows import REPORT_KEY, StoredFlows, flow_metadata, unscaled
from flowdiag.collector.report import ExportReport, InterfaceReport, LossEvent, SessionReport
from flowdiag.errors import ExportError
from flowdiag.flows import FLOW_SCHEMA

A, B = V4_PREFIX + bytes([192, 0, 2, 1]), V4_PREFIX + bytes([192, 0, 2, 2])


def batch(*rows: tuple[bytes, int, int, int, int]) -> pa.RecordBatch:
    """Rows of exporter, domain, sampling, octets, packets."""
    names = ("exporter", "domain", "sampling", "octets", "packets")
    empty: dict[str, Any] = dict.fromkeys(FLOW_SCHEMA.names)
    full = [empty | dict(zip(names, row, strict=True)) for row in rows]
    return pa.RecordBatch.from_pylist(full, FLOW_SCHEMA)


def test_rows_count_on_the_session_of_their_exporter_and_domain() -> None:
    report = ExportReport()
    stored = StoredFlows(report)
    stored.add_rows(batch((A, 1, 1, 100, 2), (B, 1, 10, 5_000, 30)))
    stored.add_rows(batch((A, 1, 1, 50, 1), (A, 2, 1, 7, 1)))
    assert [
        (s.exporter, s.domain, s.records, s.octets, s.octets_scaled, s.packets, s.sampling)
        for s in sorted(report.sessions, key=lambda s: (s.exporter, s.domain))
    ] == [
        (A, 1, 2, 150, 150, 3, 1.0),
        (A, 2, 1, 7, 7, 1, 1.0),
        (B, 1, 1, 500, 5_000, 3, 10.0),
    ]


def test_unscaled_rows_are_divided_by_their_own_factor() -> None:
    result = unscaled(batch((A, 1, 1, 100, 2), (A, 1, 10, 5_000, 30)))
    assert result.schema.equals(FLOW_SCHEMA)
    assert result.column("octets").to_pylist() == [100, 500]
    assert result.column("packets").to_pylist() == [2, 3]


def told() -> ExportReport:
    return ExportReport(
        sessions=[
            SessionReport(
                A,
                2_055,
                1,
                "netflow9",
                messages=10,
                lost_messages=2,
                lost_records=40,
                lost_is_estimate=True,
                undecoded_sets=3,
                undecoded_records=4,
                active_timeout_s=60,
                clock_offset_ms=-7_000,
            )
        ],
        interfaces={(A, 2): InterfaceReport(A, 2, "wan", "to the provider")},
        losses=[LossEvent(A, 1, 1_772_400_000_000, 2, 40)],
        heard_minutes={A: {29_540_000, 29_540_001}},
    )


def test_what_the_writer_knew_comes_back_and_adds_up_over_files() -> None:
    report = ExportReport()
    stored = StoredFlows(report)
    for _ in range(2):
        stored.add_metadata(flow_metadata(told()), "file")
    (session,) = report.sessions
    assert (session.exporter, session.domain, session.protocol) == (A, 1, "netflow9")
    assert (session.messages, session.lost_messages, session.lost_records) == (20, 4, 80)
    assert (session.undecoded_sets, session.undecoded_records) == (6, 8)
    assert (session.lost_is_estimate, session.active_timeout_s, session.clock_offset_ms) == (True, 60, -7_000)
    assert report.interfaces == told().interfaces
    assert report.losses == told().losses * 2
    assert report.heard_minutes == told().heard_minutes


def test_rows_and_metadata_meet_in_one_session() -> None:
    report = ExportReport()
    stored = StoredFlows(report)
    stored.add_metadata(flow_metadata(told()), "file")
    stored.add_rows(batch((A, 1, 1, 100, 2)))
    assert [(s.protocol, s.messages, s.records) for s in report.sessions] == [("netflow9", 10, 1)]


def test_a_table_without_a_report_is_fine() -> None:
    report = ExportReport()
    StoredFlows(report).add_metadata(flow_metadata(), "file")
    StoredFlows(report).add_metadata(None, "file")
    assert report == ExportReport()


@pytest.mark.parametrize(
    "octets",
    [
        b"",
        b"{}",
        b"[1]",
        b"\xff",
        b"[" * 100_000,
        b'{"sessions": [{"exporter": "00"}]}',
        flow_metadata(told())[REPORT_KEY].replace(b"netflow9", b"netflow7"),
        flow_metadata(told())[REPORT_KEY].replace(b'"domain":1', b'"domain":1e999'),
    ],
)
def test_damaged_metadata_is_one_clear_error(octets: bytes) -> None:
    with pytest.raises(ExportError, match=r"^file: the metadata of the flow table is damaged"):
        StoredFlows(ExportReport()).add_metadata({REPORT_KEY: octets}, "file")


def test_the_length_of_the_metadata_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stored_flows, "MAX_REPORT_OCTETS", 10)
    with pytest.raises(ExportError, match="damaged"):
        StoredFlows(ExportReport()).add_metadata(flow_metadata(told()), "file")
