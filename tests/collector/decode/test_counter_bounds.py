"""Running totals, wraps, scaling and networks at their bounds, by arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.collector.decode.addresses import _private, _unique_local
from flowdiag.collector.decode.counters import RunningTotals, scaled
from tests.collector.decode.wire import v4_octets

OF = (1, "forward")


def added(
    running: RunningTotals,
    keys: str,
    totals: list[int],
    widths: tuple[int, int] = (8, 8),
    of: tuple[int, str] = OF,
) -> list[int]:
    """What octets each record adds; keys: a letter a record; packets are the same as octets."""
    names = np.frombuffer(keys.encode(), np.uint8).reshape(-1, 1)
    both = np.array([[total, total] for total in totals], np.uint64).reshape(-1, 2)
    found = running.differences(of, names, both, list(widths))
    assert widths[0] != widths[1] or (found[:, 0] == found[:, 1]).all()
    return [int(value) for value in found[:, 0]]


def test_a_total_adds_what_it_is_above_the_one_before_of_its_flow() -> None:
    running = RunningTotals(10)
    assert added(running, "abab", [100, 7, 150, 7]) == [100, 7, 50, 0]
    assert added(running, "ba", [10, 150]) == [3, 0]
    assert added(running, "a", [160], of=(1, "reverse")) == [160]
    assert added(running, "a", [160], of=(2, "forward")) == [160]
    assert added(running, "a", [151]) == [1]
    assert added(running, "", []) == []


def test_a_total_that_falls_began_anew() -> None:
    running = RunningTotals(10)
    assert added(running, "aaa", [100, 40, 90]) == [100, 40, 50]


@pytest.mark.parametrize("width", [1, 2, 4])
def test_a_narrow_counter_that_falls_from_its_last_quarter_to_its_first_has_wrapped(width: int) -> None:
    most, quarter = 1 << (8 * width), 1 << (8 * width - 2)
    for before, now, wrapped in (
        (most - 1, 0, True), (most - quarter, quarter - 1, True),
        (most - quarter - 1, quarter - 1, False), (most - quarter, quarter, False),
    ):  # fmt: skip
        found = added(RunningTotals(10), "aa", [before, now], (width, width))
        assert found == [before, now + most - before if wrapped else now]


def test_a_counter_of_64_bits_or_one_that_was_not_sent_does_not_wrap() -> None:
    assert added(RunningTotals(10), "aa", [2**64 - 1, 5]) == [2**64 - 1, 5]
    assert added(RunningTotals(10), "aa", [2**32 - 1, 5], (0, 4)) == [2**32 - 1, 5]
    assert added(RunningTotals(10), "aa", [2**32 - 1, 5], (4, 0)) == [2**32 - 1, 6]


def test_the_flows_heard_from_last_are_remembered() -> None:
    running = RunningTotals(2)
    assert added(running, "ab", [10, 20]) == [10, 20]
    assert added(running, "a", [11]) == [1]  # b is now the one not heard from for the longest time
    assert added(running, "c", [30]) == [30]
    assert added(running, "a", [12]) == [1]
    assert added(running, "b", [21]) == [21]


@pytest.mark.parametrize(
    ("count", "factor", "product"),
    [
        (7, 1.0, 7),
        (7, 3.0, 21),
        (2**53 + 1, 3.0, 3 * (2**53 + 1)),  # whole factors are exact
        (2**64 - 1, 2.0, 2**64 - 2),
        (2**63, 2.0, 2**64 - 2),
        (2**63 - 1, 2.0, 2**64 - 2),
        (7, 2.5, 18),
        (5, 2.5, 12),  # to the nearest, of two the even one
        (2**64 - 1, 1.5, 2**64 - 2048),
    ],
)
def test_counts_are_scaled_to_the_nearest_and_no_further_than_64_bits(
    count: int, factor: float, product: int
) -> None:
    counts = np.array([count, 1], np.uint64)
    assert int(scaled(counts, factor)[0]) == product
    assert scaled(counts, np.array([factor, 1.0])).tolist()[0] == product


@pytest.mark.parametrize(
    ("address", "private"),
    [
        ("9.255.255.255", False), ("10.0.0.0", True), ("10.255.255.255", True), ("11.0.0.0", False),
        ("172.15.255.255", False), ("172.16.0.0", True), ("172.31.255.255", True), ("172.32.0.0", False),
        ("192.167.255.255", False), ("192.168.0.0", True), ("192.168.255.255", True), ("192.169.0.0", False),
        ("100.63.255.255", False), ("100.64.0.0", True), ("100.127.255.255", True), ("100.128.0.0", False),
    ],
)  # fmt: skip
def test_private_and_shared_networks(address: str, private: bool) -> None:
    """RFC 1918 3 and RFC 6598 7."""
    assert _private(np.frombuffer(v4_octets(address), np.uint32)).tolist() == [private]


@pytest.mark.parametrize(("first", "local"), [(0xFB, False), (0xFC, True), (0xFD, True), (0xFE, False)])
def test_unique_local_addresses(first: int, local: bool) -> None:
    """RFC 4193 3.1: fc00::/7."""
    assert _unique_local(np.array([[first, *[0] * 15]], np.uint8)).tolist() == [local]
