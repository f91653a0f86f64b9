"""Exports of a real virtual switch against what was measured beside it.

Truth comes from captures on every port of the switch, link counters and the programs' own counts
(fixtures/virtual-switch.truth.json).
"""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from flowdiag.addresses import to_text
from flowdiag.collector.export import Export, open_export

FIXTURES = Path(__file__).parents[2] / "fixtures"
TRUTH: dict[str, Any] = json.loads((FIXTURES / "virtual-switch.truth.json").read_text())
ICMP = (1, 58)

Totals = dict[tuple[Any, ...], tuple[int, int]]


def read(name: str) -> tuple[Export, list[dict[str, Any]]]:
    export = open_export(FIXTURES / name)
    return export, pa.Table.from_batches(list(export.batches())).to_pylist()


@pytest.fixture(scope="module")
def ipfix() -> tuple[Export, list[dict[str, Any]]]:
    return read("virtual-switch.ipfix")


@pytest.fixture(scope="module")
def netflow5() -> tuple[Export, list[dict[str, Any]]]:
    return read("virtual-switch-v5.pcap")


def totals(rows: list[dict[str, Any]]) -> Totals:
    """Packets and octets by flow key, as the truth has them."""
    found: Counter[tuple[Any, ...]] = Counter()
    octets: Counter[tuple[Any, ...]] = Counter()
    for row in rows:
        if row["src_address"] is None:
            continue
        ports = row["src_port"], row["dst_port"]
        if row["protocol"] in ICMP:
            ports = divmod(row["dst_port"], 256)
        key = (to_text(row["src_address"]), to_text(row["dst_address"]), row["protocol"], *ports)
        found[key] += row["packets"]
        octets[key] += row["octets"]
    return {key: (found[key], octets[key]) for key in found}


def truth(octets_column: int) -> Totals:
    return {tuple(flow[:5]): (flow[5], flow[octets_column]) for flow in TRUTH["flows"]}


def test_every_flow_is_right_at_its_entry(ipfix: tuple[Export, list[dict[str, Any]]]) -> None:
    assert totals([row for row in ipfix[1] if row["direction"] == 0]) == truth(6)


def test_every_flow_is_right_at_its_exit_but_for_the_one_flooded(
    ipfix: tuple[Export, list[dict[str, Any]]],
) -> None:
    expected = truth(6)
    (differs,) = TRUTH["egress_differs"]
    expected[tuple(differs["flow"])] = differs["exported"]["packets"], differs["exported"]["ip_bytes"]
    assert totals([row for row in ipfix[1] if row["direction"] == 1]) == expected


def test_records_without_addresses_carry_no_octets(ipfix: tuple[Export, list[dict[str, Any]]]) -> None:
    without = [row for row in ipfix[1] if row["src_address"] is None]
    assert len(without) == TRUTH["records_without_addresses"]
    assert {row["octets"] for row in without} == {0}


def test_counts_of_the_report(ipfix: tuple[Export, list[dict[str, Any]]]) -> None:
    report = ipfix[0].report
    assert sum(session.records for session in report.sessions) == TRUTH["records"]
    assert sum(session.option_records for session in report.sessions) == TRUTH["option_records"]
    assert sum(session.messages for session in report.sessions) == TRUTH["messages"]
    assert sum(session.octets for session in report.sessions) == (
        TRUTH["ingress"]["ip_bytes"] + TRUTH["egress"]["ip_bytes"]
    )
    assert report.problems == []


def test_one_counter_for_all_domains_is_seen_and_no_loss_invented(
    ipfix: tuple[Export, list[dict[str, Any]]],
) -> None:
    report = ipfix[0].report
    assert (report.lost_records, report.undecoded_sets) == (0, 0)
    assert report.sessions[0].sequence_reading == "data records of all domains of the session"


def test_interface_names_that_stand_in_flow_records(ipfix: tuple[Export, list[dict[str, Any]]]) -> None:
    names = {index: told.name for (_, index), told in ipfix[0].report.interfaces.items()}
    assert names[5] == "wan"
    assert {names[index] for index in (2, 3)} == {"lan1", "lan2"}


def test_times_lie_within_the_minutes_of_the_traffic(ipfix: tuple[Export, list[dict[str, Any]]]) -> None:
    # The traffic ran from 09:01:29.6 to 09:03:04.7; the download from 12 s to 71 s after its start.
    download = [row for row in ipfix[1] if row["src_port"] == 443 and row["octets"] > 10_000_000]
    assert min(row["start"] for row in download).isoformat(timespec="seconds") == "2026-11-25T09:01:41+00:00"
    assert max(row["end"] for row in download).isoformat(timespec="seconds") == "2026-11-25T09:02:41+00:00"
    assert ipfix[0].report.impossible_times == 0


def test_netflow5_counts_frames_and_names_the_last_record(
    netflow5: tuple[Export, list[dict[str, Any]]],
) -> None:
    export, rows = netflow5
    expected = {key: value for key, value in truth(7).items() if ":" not in key[0]}
    assert totals(rows) == expected
    (told,) = export.report.sessions
    assert (told.records, told.messages) == (TRUTH["v5"]["records"], TRUTH["v5"]["packets_in_file"])
    assert (told.lost_records, told.restarts) == (0, 0)
    assert told.sequence_reading == "flow records of the engine, the last one named"
