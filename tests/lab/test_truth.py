"""Figures of what was measured, worked out by hand."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import zstandard

from tests.lab.truth import Truth, joined, lasting_s, read_truth

PORTS = ("studio", "office", "wan1", "wan2", "gate")


def sample(ms: int, octets: int, packets: int, dropped: int = 0) -> dict[str, Any]:
    """Counters of a moment: all that came in came by wan1, and as much was offered by the studio."""
    ports = {port: [0, 0, 0, 0] for port in PORTS} | {
        "wan1": [octets, packets, 0, 0],
        "studio": [octets, packets, 0, 0],
    }
    queues = {f"{uplink} {way}": [0, 0] for uplink in ("wan1", "wan2") for way in ("down", "up")}
    return {"ms": ms, "ports": ports, "queues": queues | {"wan1 down": [dropped, 0]}}


def truth_of(folder: Path, samples: list[dict[str, Any]], pings: list[Any] | None = None) -> Truth:
    kept = {
        "run": "download-full",
        "samples": samples,
        "pings": pings or [],
        "log": [[2_000, "cut main"]],
        "programs": [],
    }
    file = folder / "truth.json.zst"
    file.write_bytes(zstandard.ZstdCompressor().compress(json.dumps(kept).encode()))
    return read_truth(file)


def test_a_second_at_nine_tenths_of_the_shaped_rate_is_full(tmp_path: Path) -> None:
    # 12 Mbit/s are 1,500,000 octets a second; 891 packets of 1,500 and 14 of header are 1,348,974: 10.79 Mbit/s, 892 are
    # 1,350,488: 10.804, which is over nine tenths, 10.8.
    packets = [0, 891, 891 + 892, 891 + 2 * 892, 891 + 2 * 892]
    samples = [sample(1_000 * n, 1_500 * count, count, 3 * n) for n, count in enumerate(packets)]
    truth = truth_of(tmp_path, samples)
    assert truth.full("wan1", "down") == [(1_000, 3_000)]
    assert truth.full_s("wan1", "down") == 2.0
    assert truth.full("wan1", "up") == []
    assert truth.dropped("wan1", "down") == 12
    assert round(truth.highest_mbps("wan1", "down", 2), 3) == 10.804
    assert round(truth.highest_mbps("wan1", "down", 4), 3) == 8.1  # 2,675 packets in four seconds
    assert truth.offered() == 1_500 * 2_675


def test_what_was_counted_before_the_first_sample_is_left_out(tmp_path: Path) -> None:
    truth = truth_of(tmp_path, [sample(0, 5_600, 100), sample(1_000, 8_400, 150)])
    assert truth.octets("wan1", "in") == (2_800, 50)


def test_an_outage_lasts_from_the_first_ping_without_answer_to_the_next_with_one(tmp_path: Path) -> None:
    pings = [[0, 0.5], [250, None], [500, None], [750, 40.0], [1_000, None]]
    truth = truth_of(tmp_path, [sample(0, 0, 0), sample(1_000, 0, 0)], pings)
    assert truth.unanswered() == [(250, 750), (1_000, 1_000)]
    assert truth.round_trip_ms([(0, 1_000)]) == 20.25
    assert truth.when("cut main") == 2_000


def test_spans_that_touch_are_one() -> None:
    spans = joined(iter([(0, 1_000), (1_000, 2_000), (3_000, 4_500)]))
    assert spans == [(0, 2_000), (3_000, 4_500)]
    assert lasting_s(spans) == 3.5
