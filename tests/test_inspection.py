"""What an export holds. Figures are those written into the packets."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from flowdiag import inspection as inspecting
from flowdiag.addresses import V4_PREFIX
from flowdiag.collector.report import (
    ExportReport,
    FieldSpec,
    InterfaceReport,
    LossEvent,
    Problem,
    SessionReport,
    TemplateReport,
)
from flowdiag.flows import FLOW_SCHEMA
from flowdiag.inspection import Inspection, as_json, inspect_export
from flowdiag.pipeline import build_case
from flowdiag.site.reading import read_profile
from tests.collector.readers.builders import frame, pcap
from tests.collector.v5_flows import Flow, packet

EXPORTER = V4_PREFIX + bytes([192, 0, 2, 1])


@pytest.fixture
def inspection(tmp_path: Path) -> Inspection:
    file = tmp_path / "capture"
    first = packet([Flow(100, 2, ingress=1, egress=2), Flow(200, 3, ingress=2, egress=1)])
    second = packet([Flow(1_000, 10, ingress=1, egress=3)], 2, at=1_772_400_060)
    file.write_bytes(pcap([frame(first), frame(b"other traffic"), frame(second)]))
    return inspect_export([file])


def test_counts_are_the_sums_of_the_records(inspection: Inspection) -> None:
    assert (inspection.records, inspection.octets, inspection.packets) == (3, 1_300, 15)


def test_the_span_is_from_the_first_start_to_the_last_end(inspection: Inspection) -> None:
    # Exported at 21:20:00 and 21:21:00 UTC, each flow of one minute ending then.
    content = as_json(inspection)
    assert content["first"] == "2026-03-01T21:19:00.000+00:00"
    assert content["last"] == "2026-03-01T21:21:00.000+00:00"


def test_interface_octets_are_counted_by_ingress_and_egress(inspection: Inspection) -> None:
    assert [(i.index, i.octets_in, i.octets_out) for i in inspection.interfaces] == [
        (1, 1_100, 200),
        (2, 200, 100),
        (3, 0, 1_000),
    ]


def test_the_json_has_every_key_of_its_schema(inspection: Inspection) -> None:
    content = json.loads(json.dumps(as_json(inspection)))
    assert content["schema"] == "flowdiag.inspect/1"
    assert {
        "records", "octets", "packets", "first", "last", "resolution_s", "lost_messages", "lost_records",
        "undecoded_sets", "sessions", "interfaces", "problems",
    } <= set(content)  # fmt: skip
    (session,) = content["sessions"]
    assert (session["exporter"], session["port"], session["domain"]) == ("192.0.2.1", 50_000, 0)
    assert (session["protocol"], session["messages"], session["records"]) == ("netflow5", 2, 3)
    assert (session["octets"], session["sampling"]) == (1_300, 1)
    assert {"lost_messages", "lost_records", "templates"} <= set(session)
    assert [(p["what"], p["count"]) for p in content["problems"]] == [
        ("UDP packets that carry no flow export were ignored", 1)
    ]
    assert set(content["problems"][0]) == {"file", "offset", "what", "count"}
    assert "octets_scaled" not in content


def hand_made() -> Inspection:
    fields = (FieldSpec(1, 0, "octetDeltaCount", 4), FieldSpec(7, 64_512, "", 65_535))
    report = ExportReport(
        sessions=[
            SessionReport(
                EXPORTER,
                2_055,
                9,
                "netflow9",
                records=4,
                octets=400,
                octets_scaled=4_000,
                sampling=10.0,
                templates={300: TemplateReport(300, fields, records=4)},
            ),
            SessionReport(bytes(16), 0, 1, "ipfix", records=1, octets=5, octets_scaled=5),
        ],
        interfaces={(EXPORTER, 2): InterfaceReport(EXPORTER, 2, "wan", "to the provider")},
        losses=[LossEvent(EXPORTER, 9, 1_772_400_000_000, 2, 48)],
        problems=[Problem("a", 12, "something", 3)],
    )
    return Inspection(report, None, None, 60, False, ())


def test_octets_scaled_stand_beside_when_sampling_applies() -> None:
    content = as_json(hand_made())
    assert (content["octets"], content["octets_scaled"]) == (405, 4_005)
    unsampled, sampled = content["sessions"]
    assert "octets_scaled" not in unsampled
    assert (sampled["octets"], sampled["octets_scaled"], sampled["sampling"]) == (400, 4_000, 10)


def test_an_exporter_that_the_container_does_not_tell_is_null() -> None:
    assert [session["exporter"] for session in as_json(hand_made())["sessions"]] == [None, "192.0.2.1"]


def test_templates_list_their_fields_in_order() -> None:
    (template,) = as_json(hand_made())["sessions"][1]["templates"]
    assert template["fields"] == [
        {"id": 1, "enterprise": 0, "name": "octetDeltaCount", "length": 4},
        {"id": 7, "enterprise": 64_512, "name": "", "length": 65_535},
    ]
    assert (template["id"], template["records"]) == (300, 4)


def test_an_export_without_times_has_no_span() -> None:
    content = as_json(hand_made())
    assert (content["first"], content["last"]) == (None, None)


def test_losses_are_told_with_their_time() -> None:
    assert as_json(hand_made())["losses"] == [
        {
            "exporter": "192.0.2.1",
            "domain": 9,
            "time": "2026-03-01T21:20:00.000+00:00",
            "messages": 2,
            "records": 48,
            "restarted": False,
        }
    ]


@pytest.mark.parametrize("name", ["light-pages", "upload-full", "line-under-plan"])
def test_a_short_export_resolves_what_a_diagnosis_says_it_does(name: str) -> None:
    # Recordings of a switch whose active timeout was five seconds.
    folder = Path(__file__).parents[1] / "fixtures" / "lab" / name
    case = build_case([folder / "export.pcap.zst"], read_profile(folder / "site.toml"))
    inspection = inspect_export([folder / "export.pcap.zst"])
    assert inspection.resolution_s == case.coverage.resolution_s == 5
    assert inspection.resolution_known


def test_durations_are_thinned_evenly_within_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(inspecting, "MAX_DURATIONS", 100)
    durations = inspecting._Durations()
    for start in range(0, 1_000, 50):
        rows = [dict.fromkeys(FLOW_SCHEMA.names) | {"start": 0, "end": start + n} for n in range(50)]
        durations.add(pa.RecordBatch.from_pylist(rows, FLOW_SCHEMA))
    kept = durations.values()
    assert 50 <= len(kept) <= 100
    assert np.diff(kept).max() <= 16  # 1,000 halved four times is 63
    assert kept[0] == 0
    assert kept[-1] >= 950


def test_flows_without_times_give_no_durations() -> None:
    durations = inspecting._Durations()
    rows = [dict.fromkeys(FLOW_SCHEMA.names) | {"start": 0}, dict.fromkeys(FLOW_SCHEMA.names)]
    durations.add(pa.RecordBatch.from_pylist(rows, FLOW_SCHEMA))
    assert durations.values().tolist() == []


def test_interfaces_without_end_are_not_all_listed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.hostile.messages import interfaces

    (tmp_path / "export").write_bytes(interfaces(10_000))
    monkeypatch.setattr(inspecting, "MAX_INTERFACES", 50)
    found = inspect_export([tmp_path / "export"])
    assert 50 <= len(found.interfaces) <= 100
    assert inspecting.INTERFACES_LEFT_OUT in found.report.notes
