"""Rankings by themselves: which rows are the largest, what is left over, shares and rates, sources that are compared."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from msgspec.structs import replace

from flowdiag.aggregator import same_packets, top_parts
from flowdiag.aggregator.partials import Folded, Partial
from flowdiag.aggregator.ranking import largest, rank_talkers
from flowdiag.aggregator.same_packets import MOST_RECORDS, MOST_SOURCES, SAME, _of_these
from flowdiag.aggregator.top_parts import _partial
from flowdiag.aggregator.top_ranking import Request, ranked
from tests.aggregator.tables import START, build, int_array, octets_by_direction, site, up

KEYS: Any = SimpleNamespace(named=lambda row: (row["key"], "label", b"address"))


def table(*octets: float) -> pa.Table:
    """Rows a, b, c and so on; packets are a tenth, framing makes octets twice as many."""
    return pa.table(
        {
            "key": list("abcdefgh"[: len(octets)]),
            "octets": list(map(float, octets)),
            "wire_octets": [2.0 * one for one in octets],
            "packets": [one / 10 for one in octets],
            "flows": [1.0] * len(octets),
            "first_ms": list(range(len(octets))),
            "last_ms": list(range(10, 10 + len(octets))),
        }
    )


def test_rows_are_the_largest_with_their_part_of_all_and_what_is_left_over() -> None:
    rows, found = ranked(table(100, 500, 400), (1000, 3000), KEYS, Request("applications", limit=2))
    assert [row["key"] for row in rows] == ["b", "c"]
    first, second = found.rows
    assert (first.key, first.label, first.address, first.octets, first.packets, first.flows) == (
        "b", "label", b"address", 500, 50, 1
    )  # fmt: skip
    assert (first.share, second.share, found.rest_share) == pytest.approx((0.5, 0.4, 0.1))
    assert first.mean_mbps == pytest.approx(1000 * 8 / 2000 / 1000)  # 1000 octets with framing in two seconds
    assert (first.first_ms, first.last_ms, first.peak_mbps) == (1, 11, None)
    assert (found.rest_octets, found.total_octets, found.total_packets, found.total_flows) == (
        100,
        1000,
        100,
        3,
    )


def test_shares_are_of_the_measure_that_is_ranked_by() -> None:
    _, found = ranked(table(10, 10, 20), (0, 0), KEYS, Request("applications", by="flows", limit=None))
    assert [row.key for row in found.rows] == ["a", "b", "c"]  # equal ones in their order
    assert [row.share for row in found.rows] == pytest.approx([1 / 3] * 3)
    assert found.rows[2].mean_mbps == pytest.approx(40 * 8 / 1 / 1000)  # a millisecond at least
    assert (found.rest_octets, found.rest_share) == (0, pytest.approx(0.0))


def test_of_nothing_there_are_no_shares() -> None:
    _, found = ranked(table(0, 0), (0, 10), KEYS, Request("applications", limit=1))
    assert (found.rows[0].share, found.rest_share, found.rest_octets, found.total_flows) == (0.0, 0.0, 0, 2)
    _, none = ranked(table(1).slice(0, 0), (0, 10), KEYS, Request("applications"))
    assert (none.rows, none.rest_share, none.total_octets) == ((), 0.0, 0)


def test_what_was_folded_counts_in_the_total() -> None:
    partial = Partial(("key",), "octets", table(60, 20), Folded(octets=20.0, packets=2.0, flows=5.0))
    _, found = ranked(partial.table, (0, 10), KEYS, Request("applications"), partial)
    assert [row.share for row in found.rows] == pytest.approx([0.6, 0.2])
    assert (found.total_octets, found.total_packets, found.total_flows, found.rest_octets) == (100, 10, 7, 20)
    assert found.rest_share == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("limit", "expected"),
    [
        (None, [3, 1, 2, 0]),
        (0, []),
        (1, [3]),
        (2, [3, 1]),
        (3, [3, 1, 2]),
        (4, [3, 1, 2, 0]),
        (9, [3, 1, 2, 0]),
    ],
)
def test_the_largest_come_first_and_equal_ones_by_their_keys(limit: int | None, expected: list[int]) -> None:
    values = np.array([5.0, 7.0, 7.0, 9.0, 99.0])  # the last one is not asked for
    assert largest(values, np.arange(4), ["a", "b", "c", "d", "e"], limit) == expected
    swapped = [2 if number == 1 else 1 if number == 2 else number for number in expected]
    assert largest(values, np.arange(4), ["a", "c", "b", "d", "e"], limit) == swapped


def test_without_any_record_on_a_link_all_records_are_ranked() -> None:
    window = START, START + 1000
    local, on_link = up(egress_interface=9, octets=10), up(src_port=2, src_address="192.168.40.7", octets=30)
    assert [row.octets for row in rank_talkers(build([local])[0], site(), window)] == [10]
    flows = build([local, on_link])[0]
    (row,) = rank_talkers(flows, site(), window)
    assert (row.octets, row.flows, row.share) == (30, 1, 1.0)
    every = rank_talkers(flows, site(), window, np.ones(2, np.bool_))
    assert [(row.octets, row.share) for row in every] == [(30, 0.75), (10, 0.25)]
    assert rank_talkers(flows.at(np.zeros(0, np.intp)), site(), window) == ()


@pytest.mark.parametrize(
    ("start", "end", "part", "first", "last"),
    [
        (100, 200, 1.0, 100, 200),
        (99, 200, 100 / 101, 100, 200),
        (100, 201, 100 / 101, 100, 200),
        (50, 150, 0.5, 100, 150),
        (100, 100, 1.0, 100, 100),
        (0, 400, 0.25, 100, 200),
    ],
)
def test_of_a_flow_the_part_in_the_window_counts(
    monkeypatch: pytest.MonkeyPatch, start: int, end: int, part: float, first: int, last: int
) -> None:
    given: dict[str, Any] = {}
    monkeypatch.setattr(top_parts, "aggregate", lambda keys, by, **columns: given.update(columns))
    ones = np.ones(2)
    # Beside another flow that is cut, and alone.
    for times in (([start, 0], [end, 150]), ([start], [end])):
        flows: Any = SimpleNamespace(
            start_ms=int_array(*times[0]),
            end_ms=int_array(*times[1]),
            octets=ones,
            wire_octets=ones,
            packets=ones,
        )
        _partial(flows, np.int64(100), np.int64(200), {}, "octets")
        found = 1.0 if given["part"] is None else given["part"][0]
        assert (found, given["first_ms"][0], given["last_ms"][0]) == (pytest.approx(part), first, last)
    assert (given["part"] is None) == (start >= 100 and end <= 200)


# Sources that may repeat each other ---------------------------------------------------------------------------------


def test_bounds_of_comparing_sources_are_those_of_their_reasons() -> None:
    assert (SAME, MOST_RECORDS, MOST_SOURCES, same_packets.SAMPLE_ONE_IN) == (0.8, 1_000_000, 64, 16)


@pytest.mark.parametrize(("most", "counted"), [(3, 1), (2, 2), (1, 3)])
def test_the_sources_with_most_records_are_compared(
    monkeypatch: pytest.MonkeyPatch, most: int, counted: int
) -> None:
    """Three exporters report the same twenty conversations, each in octets of its own."""
    monkeypatch.setattr(same_packets, "MOST_SOURCES", most)
    rows = [
        up(src_port=port, exporter=f"192.0.2.{10 + place}", octets=1000 + place, packets=10 + place)
        for place in range(3)
        for port in range(1, 21)
    ]
    octets = octets_by_direction(build(rows)[0])[1]
    assert octets // 20_000 == counted


def test_what_counts_of_some_sources_is_nothing_of_the_others() -> None:
    counts = np.array([[True, False], [True, True], [False, True]])
    assert _of_these(counts, np.array([2, 0])).tolist() == [[True, False], [False, False], [False, True]]
    assert counts.sum() == 4  # as it was


def test_a_request_knows_which_ends_of_its_window_were_given() -> None:
    asked = Request("talkers", window_from="x")
    assert (asked.asked.begin, asked.asked.end) == (True, False)
    both = replace(asked, window_from=None, window_to="y").asked
    assert (both.begin, both.end) == (False, True)
