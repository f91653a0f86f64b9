"""Records of a batch: what is left out, and what stands for what was not exported."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.text.wording.coverage import told
from tests.aggregator.tables import EXPORTER, START, Row, build, down, site, up

OTHER = "192.0.2.11"


def test_of_exporters_the_listed_ones_count_and_those_that_no_container_names() -> None:
    exporters = {1: EXPORTER, 2: OTHER, 4: None}
    rows = [up(octets=octets, src_port=octets, exporter=exporter) for octets, exporter in exporters.items()]
    profile = site()
    profile.site.exporters.append(EXPORTER)
    flows, _, _ = build(rows, profile)
    assert sorted(flows.octets.tolist()) == [1, 4]
    assert sorted(build(rows)[0].octets.tolist()) == [1, 2, 4]


def test_what_was_not_exported_is_unknown() -> None:
    rows = [
        up(
            src_port=None,
            dst_port=None,
            protocol=None,
            tcp_flags=None,
            dscp=None,
            packets=None,
            sampling=None,
        )
    ]
    flows, _, _ = build(rows)
    assert (flows.inside_port[0], flows.outside_port[0], flows.protocol[0]) == (-1, -1, -1)
    assert (flows.tcp_flags[0], flows.dscp[0], flows.packets[0], flows.sampling[0]) == (-1, -1, 0, 1)
    assert (flows.octets[0], flows.opened_inside[0]) == (1000, -1)


def test_a_ping_without_its_type_is_neither_question_nor_answer() -> None:
    # RFC 792: a type of 0 would be an answer.
    flows, _, _ = build([up(protocol=1, src_port=None, dst_port=None)])
    assert flows.opened_inside.tolist() == [-1]


@pytest.mark.parametrize(
    ("times", "told"),
    [
        ({"start": 1.0, "end": 3.0}, (1_000, 3_000)),
        ({"start": None, "end": 3.0}, (3_000, 3_000)),
        ({"start": 1.0, "end": None}, (1_000, 1_000)),
        ({"start": 3.0, "end": 1.0}, (3_000, 3_000)),
    ],
)
def test_a_time_that_is_missing_is_the_other_one(times: Row, told: tuple[int, int]) -> None:
    flows, _, _ = build([up(**times), down()])
    row = int(np.flatnonzero(flows.direction == 1)[0])
    assert (int(flows.start_ms[row]) - START, int(flows.end_ms[row]) - START) == told


def test_records_without_addresses_and_octets_or_without_times_are_left_out() -> None:
    rows = [
        up(),
        up(src_address=None, dst_address=None, octets=0),
        up(src_address=None, dst_address=None, octets=None),
        up(start=None, end=None, octets=77),
    ]
    flows, _, coverage = build(rows)
    assert flows.octets.tolist() == [1000]
    assert any(note.startswith("1 record ") and "time" in note for note in told(coverage.remarks)), told(
        coverage.remarks
    )
    assert any(note.startswith("2 records ") for note in told(coverage.remarks)), told(coverage.remarks)
