"""Rankings at their bounds: minutes cut by the window, chunks, samples of what is seen, places of rows."""

from __future__ import annotations

import tracemalloc
from typing import Any

import numpy as np
import pytest

from flowdiag.aggregator import top_parts, top_passes
from flowdiag.aggregator.applications import catalogue
from flowdiag.aggregator.labels import Labels
from flowdiag.aggregator.spread import WindowGrid
from flowdiag.aggregator.top import rank_batches
from flowdiag.aggregator.top_keys import Keys
from flowdiag.aggregator.top_parts import _in_windows
from flowdiag.aggregator.top_passes import Seen
from flowdiag.aggregator.top_ranking import Request, Top
from flowdiag.collector.report import ExportReport
from tests.aggregator.tables import HOST, START, Row, batch, build, site, up
from tests.aggregator.test_top import iso


def rank(rows: list[Row], begin: float, end: float, **request: Any) -> Top:
    """Talkers in [begin, end) seconds after START, of rows in one batch each."""
    asked = Request(
        "talkers",
        window_from=iso(START + round(begin * 1000)),
        window_to=iso(START + round(end * 1000)),
        **request,
    )
    return rank_batches([batch([row]) for row in rows], ExportReport(), site(), asked)


def peak(rows: list[Row], begin: float, end: float) -> float | None:
    return rank(rows, begin, end).whole.rows[0].peak_mbps


# A megabit a second is 125,000 octets a second; START is a whole minute.
STEADY = up(start=0, end=300, octets=300 * 125_000)


@pytest.mark.parametrize(
    ("begin", "end", "mbps"),
    [
        (60, 120, 9.0),
        (90, 150, 9.0),  # the half of the minute with 9 Mbit/s, and half of one with 1
        (90.001, 150, 1.0),  # less than half of it is no minute
        (30, 90, 9.0),
        (30, 89.999, 1.0),
        (100, 110, 9.0),  # all there is
        (110, 130, 5.0),
        (59, 61, 5.0),
    ],
)
def test_a_minute_that_the_window_cuts_counts_from_a_half_on(begin: float, end: float, mbps: float) -> None:
    rows = [STEADY, up(start=60, end=120, octets=60 * 8 * 125_000, src_port=9)]
    assert peak(rows, begin, end) == pytest.approx(mbps, rel=1e-6)


def test_rows_beyond_the_cells_that_are_held_have_no_peak(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [up(f"192.168.40.{number}", start=0, end=120, octets=1000 * number) for number in (1, 2, 3)]
    for cells, known in ((6, 3), (5, 2), (1, 0)):
        monkeypatch.setattr(top_passes, "MAX_PEAK_CELLS", cells)
        peaks = [row.peak_mbps for row in rank(rows, 0, 120).whole.rows]
        assert [one is not None for one in peaks] == [place < known for place in range(3)]


def test_a_chunk_is_full_from_its_rows_on(monkeypatch: pytest.MonkeyPatch) -> None:
    sizes: list[int] = []
    real = top_passes.without_duplicates

    def counted(flows: Any) -> Any:
        sizes.append(len(flows))
        return real(flows)

    monkeypatch.setattr(top_passes, "without_duplicates", counted)
    rows = [up(src_port=port) for port in range(1, 8)]
    for chunk, expected in ((3, [3, 3, 1]), (7, [7]), (8, [7]), (1, [1] * 7)):
        monkeypatch.setattr(top_passes, "CHUNK_ROWS", chunk)
        sizes.clear()
        rank(rows, 0, 1)
        assert sizes[: len(expected)] == expected
        assert len(sizes) == 2 * len(expected)  # a pass for the sums and one for the peaks


def test_partials_are_merged_when_they_are_many(monkeypatch: pytest.MonkeyPatch) -> None:
    merged: list[int] = []
    real = top_passes.merge

    def counted(*partials: Any, **more: Any) -> Any:
        merged.append(len(partials))
        return real(*partials, **more)

    monkeypatch.setattr(top_passes, "merge", counted)
    monkeypatch.setattr(top_passes, "CHUNK_ROWS", 1)
    rows = [up(f"192.168.40.{number}") for number in range(1, 6)]
    assert rank(rows, 0, 1).whole.total_flows == 5
    # What is there with two more is over one row; the last has nothing that waits with it.
    assert merged == [3, 3, 2]


def flows_of(rows: list[Row]) -> Any:
    return build(rows)[0]


def test_what_is_seen_is_added_up_and_its_sample_is_even(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(top_passes, "SOME_ROWS", 3)
    seen = Seen()
    flows = flows_of(
        [up(src_port=port, start=port, end=port, packets=10 * port, sampling=10) for port in range(1, 8)]
    )
    seen.add(flows, 2, 3)
    seen.add(flows_of([up(packets=5)]), 1, 4)
    assert (seen.packets, seen.packets_seen) == (10 * 28 + 5, 28 + 5)
    assert (seen.duplicates, seen.moved_starts) == (3, 7)
    assert seen.sample.inside_port.tolist() == [1, 3, 5, 7]  # each second of seven


@pytest.mark.parametrize(
    ("begin", "end", "counted"),
    [(10, 20, True), (20, 30, False), (0, 10, False), (0, 10.001, True), (19.999, 30, True)],
)
def test_flows_count_that_touch_the_window(begin: float, end: float, counted: bool) -> None:
    assert rank([up(start=10, end=20)], begin, end).whole.total_flows == counted


def test_a_moment_counts_where_it_lies() -> None:
    at = up(start=10, end=10)
    assert [rank([at], *window).whole.total_flows for window in ((9, 10), (10, 11), (10, 10.001))] == [
        0,
        1,
        1,
    ]


def test_rankings_of_windows_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(top_passes, "MAX_STEPS", 5)
    rows = [up(start=0, end=300)]
    assert len(rank(rows, 0, 300, step_ms=60_000).steps) == 5
    with pytest.raises(Exception, match="more than 5 rankings"):
        rank(rows, 0, 301, step_ms=60_000)


def test_a_window_at_the_end_is_cut_there() -> None:
    steps = rank([up(start=0, end=150)], 0, 150, step_ms=60_000).steps
    assert [((one.window_ms[0] - START) // 1000, (one.window_ms[1] - START) // 1000) for one in steps] == [
        (0, 60), (60, 120), (120, 150)
    ]  # fmt: skip


@pytest.mark.parametrize("most", [1, 2, 3, 5, 100])
def test_flows_stand_once_for_each_window_that_they_touch(monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    monkeypatch.setattr(top_parts, "MOST_ROWS", most)
    spans = [(0, 60), (30, 61), (60, 60), (100, 250), (-50, 10), (290, 400)]
    flows = flows_of([up(src_port=place + 1, start=a, end=b) for place, (a, b) in enumerate(spans)])
    flows = flows.at(np.argsort(flows.inside_port))
    grid = WindowGrid(START, 60_000, 5)
    parts = list(_in_windows(flows, (START, START + 300_000), grid))
    told = [
        (port, (start - START) // 60_000)
        for part, starts in parts
        for port, start in zip(part.inside_port.tolist(), starts.tolist(), strict=True)
    ]
    assert told == [(1, 0), (2, 0), (2, 1), (3, 1), (4, 1), (4, 2), (4, 3), (4, 4), (5, 0), (6, 4)]
    assert all(len(part) <= max(most, 4) for part, _ in parts)


def test_flows_find_their_rows_by_all_of_their_keys() -> None:
    rows = [up(src_port=1), up(dst="203.0.113.10", src_port=2), up(HOST, dst_port=25, src_port=50_003)]
    flows = flows_of(rows)
    keys = Keys("conversations", Labels(site()), flows.addresses, catalogue())

    def row(flow: int) -> dict[str, Any]:
        return {
            "inside": flows.addresses[flows.inside[flow]], "outside": flows.addresses[flows.outside[flow]],
            "application": flows.applications[flows.application[flow]],
        }  # fmt: skip

    assert keys.row_of(flows, [row(2), row(0)]).tolist() == [1, -1, 0]
    assert keys.row_of(flows, [{**row(0), "application": "nobody"}]).tolist() == [-1, -1, -1]
    assert keys.row_of(flows, []).tolist() == [-1, -1, -1]
    assert keys.row_of(flows.at(np.zeros(0, np.intp)), [row(0)]).tolist() == []


def test_keys_weigh_hardly_more_than_the_addresses_that_rows_may_show() -> None:
    addresses = [number.to_bytes(16, "big") for number in range(50_000)]
    tracemalloc.start()
    try:
        keys = Keys("conversations", Labels(site()), addresses, catalogue())
        assert tracemalloc.get_traced_memory()[0] < 1.5 * sum(map(len, addresses))
    finally:
        tracemalloc.stop()
    assert keys.kind == "conversations"
