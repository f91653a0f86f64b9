"""Tables put together, ends that are learned up to a bound, and timeouts that are not usual: each by itself."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from msgspec.structs import replace

from flowdiag.addresses import V4_PREFIX
from flowdiag.aggregator import services
from flowdiag.aggregator.address_numbers import AddressNumbers
from flowdiag.aggregator.applications import catalogue
from flowdiag.aggregator.build import flow_grid, joined
from flowdiag.aggregator.resolution import USUAL_S, _candidates
from flowdiag.aggregator.site_flows import SiteFlows
from tests.aggregator.tables import build, up

SYN = 0x02


def part(*octets: int, messages: bool = True) -> SiteFlows:
    flows, _, _ = build([up(octets=many) for many in octets])
    numbers = np.arange(1, len(flows) + 1, dtype=np.uint16)
    return replace(flows, message=numbers if messages else None)


def test_tables_are_joined_in_their_order_with_the_names_of_the_last() -> None:
    first, last = part(10, 20), part(30)
    last = replace(last, addresses=(*last.addresses, b"x" * 16), applications=(*last.applications, "more"))
    whole = joined([first, last])
    assert whole.octets.tolist() == [10, 20, 30]
    assert (whole.addresses, whole.applications) == (last.addresses, last.applications)
    assert whole.message is not None
    assert whole.message.tolist() == [1, 2, 1]


def test_numbers_of_messages_are_known_where_all_parts_know_them() -> None:
    assert joined([part(10), part(20, messages=False)]).message is None
    assert joined([part(10, messages=False)]).message is None
    nothing = joined([])
    assert (len(nothing), nothing.message, nothing.addresses, nothing.applications) == (0, None, (), ())


def test_timeouts_are_looked_for_where_the_longest_durations_are() -> None:
    """10,000 flows of 0 to 9,999 seconds: the third longest, the tenth and so on, about three times as far each time."""
    assert set(_candidates(np.arange(10_000.0))) - set(USUAL_S) == {9997, 9990, 9970, 9900, 9700, 9000, 7000}
    assert set(_candidates(np.arange(5000.0, 5009.0))) - set(USUAL_S) == {5006}
    assert set(_candidates(np.arange(5000.0, 5010.0))) - set(USUAL_S) == {5000, 5007}
    assert _candidates(np.zeros(0)) == sorted(USUAL_S)


def records(*rows: tuple[int, int, int, int, int]) -> Any:
    """Source and destination with their ports, and flags, of each TCP record."""
    src, src_port, dst, dst_port, flags = (np.array(column, np.int32) for column in zip(*rows, strict=True))
    return SimpleNamespace(
        src=src,
        src_port=src_port,
        dst=dst,
        dst_port=dst_port,
        tcp_flags=flags,
        protocol=np.full(len(rows), 6, np.int16),
    )


@pytest.mark.parametrize(("most", "learned"), [(1, 1), (2, 2), (3, 2)])
def test_called_ends_are_learned_until_there_are_so_many(
    monkeypatch: pytest.MonkeyPatch, most: int, learned: int
) -> None:
    monkeypatch.setattr(services, "MAX_CALLED", most)
    found = services.Services(catalogue())
    for place in (7, 8):
        found.learn(records((1, 50_000, place, 9999, SYN)))
    assert found._called_count == learned
    found.settle()
    assert len(found._called_ends) == learned


@pytest.mark.parametrize(("most", "learned"), [(1, 2), (2, 2), (3, 4), (4, 4)])
def test_who_talks_with_whom_is_learned_until_there_is_so_much(
    monkeypatch: pytest.MonkeyPatch, most: int, learned: int
) -> None:
    """Of two unknown ports each end of a record is a pair."""
    monkeypatch.setattr(services, "MAX_PAIRS", most)
    found = services.Services(catalogue())
    for place in (7, 8):
        found.learn(records((1, 40_000, place, 39_999, 0x18)))
    assert found._pair_count == learned


def test_an_end_is_an_address_with_its_port_and_protocol() -> None:
    rows = [(1, 10, 2, 20, 0), (2, 20, 1, 10, 0), (1, 11, 2, 20, 0), (1, 10, 3, 20, 0), (1, -1, 2, 65_535, 0)]
    src, dst = services._ends(records(*rows), np.arange(5))
    assert (src[0], dst[0]) == (dst[1], src[1])
    assert len({*src.tolist(), *dst.tolist()}) == 6
    udp = records(*rows)
    udp.protocol[:] = 17
    assert not np.isin(services._ends(udp, np.arange(5))[0], src).any()


def test_known_ends_are_told_from_others_whatever_their_low_bits() -> None:
    known = services._KnownEnds(np.array([5, 9, 5 + (1 << 40)], np.uint64))
    asked = np.array([5, 5 + (1 << 40), 5 + (1 << 41), 9, 10, 5 + (1 << 39)], np.uint64)
    assert known.has(asked).tolist() == [True, True, False, True, False, False]
    assert len(known) == 3
    assert services._KnownEnds(np.zeros(0, np.uint64)).has(asked).tolist() == [False] * 6


def test_only_addresses_mapped_as_rfc_4291_says_are_of_version_four() -> None:
    """What they share with a mapped one: its last four octets, its first eight, or the four between."""
    last = bytes([192, 0, 2, 7])
    told = [
        V4_PREFIX + last, bytes(11) + b"\x01" + last, bytes.fromhex("20010db800000000") + V4_PREFIX[8:] + last,
        bytes(12) + last, V4_PREFIX + bytes([192, 0, 2, 8]),
    ]  # fmt: skip
    known = AddressNumbers()
    (found,) = known.of(pa.array([*told, told[0]], pa.binary(16)))
    assert [known.all()[number] for number in found] == [*told, told[0]]
    assert len(known) == 5


@pytest.mark.parametrize(
    ("heard", "grid"),
    [
        ([], (1, 2)),  # of flows from 61 s to 179 s
        ([1, 2], (1, 2)),
        ([0], (0, 3)),
        ([3], (1, 3)),
        ([-1438], (-1438, 1441)),  # a day before
        ([-1439], (1, 2)),
        ([1442], (1, 1442)),
        ([1443], (1, 2)),
        ([-5000, 0, 4, 5000], (0, 5)),
    ],
)
def test_windows_reach_over_flows_and_minutes_heard_a_day_around_them(
    heard: list[int], grid: tuple[int, int]
) -> None:
    day = 1440 * 60_000
    flows: Any = SimpleNamespace(start_ms=np.array([day + 61_000]), end_ms=np.array([day + 179_000]))

    class Flows(SimpleNamespace):
        def __len__(self) -> int:
            return len(self.start_ms)

    found = flow_grid(Flows(**vars(flows)), 60_000, day + 60_000 * np.array(heard, np.int64))  # type: ignore[arg-type]
    assert ((found.start_ms - day) // 60_000, found.windows) == grid
