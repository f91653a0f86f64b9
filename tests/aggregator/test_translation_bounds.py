"""Hosts behind a router's address at the bounds of what tells them: times, ports, octets, packets, pauses.

Hosts are numbers from 1, the router is 9, the remote end 100. Times in seconds.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.aggregator.translated_copies import NO_HOST
from flowdiag.aggregator.translated_ends import Ends, Sessions, changes, the_one
from flowdiag.aggregator.translated_hosts import _pairs, named
from flowdiag.aggregator.translation import Translations
from flowdiag.text.wording.coverage import told
from tests.aggregator.tables import HOST, SERVER, build, note_with, site, up

Row = dict[str, Any]


def ends(*rows: Row) -> Ends:
    given = [
        {"out": True, "end": 9, "port": 61_000, "remote": 100, "remote_port": 443, "protocol": 6, "octets": 1000.0,
         "packets": 20.0, "start": 0.0, "stop": 10.0, **row}
        for row in rows
    ]  # fmt: skip

    def column(name: str, kind: Any) -> Any:
        return np.array([row[name] for row in given], kind)

    return Ends(
        row=np.arange(len(given)), out=column("out", np.bool_), end=column("end", np.int32), port=column("port", np.int32),
        remote=column("remote", np.int32), remote_port=column("remote_port", np.int32),
        protocol=column("protocol", np.int16), octets=column("octets", float), packets=column("packets", float),
        start_ms=np.round(column("start", float) * 1000).astype(np.int64),
        end_ms=np.round(column("stop", float) * 1000).astype(np.int64),
    )  # fmt: skip


def hosts(outer: list[Row], inner: list[Row]) -> list[tuple[int, int]]:
    """Host and port of each outer record."""
    found = named(ends(*outer), ends(*[{"end": 1, "port": 50_000, **row} for row in inner]))
    return list(zip(found.host.tolist(), found.port.tolist(), strict=True))


NOBODY = [(NO_HOST, 61_000)]


@pytest.mark.parametrize(
    ("change", "found"),
    [
        ({}, True),
        ({"start": 0.5, "stop": 10.5}, True),
        ({"octets": 1001.0, "start": 5}, False),
        ({"packets": 21.0, "start": 5}, False),
        ({"remote": 101}, False),
        ({"remote_port": 444}, False),
        ({"protocol": 17}, False),
        ({"out": False}, False),
    ],
)
def test_a_copy_has_what_translation_leaves(change: Row, found: bool) -> None:
    assert hosts([{}], [change]) == ([(1, 50_000)] if found else NOBODY)


@pytest.mark.parametrize(
    ("start", "stop", "copies"), [(0.5, 10.5, True), (0.501, 10.5, False), (0.5, 10.501, False)]
)
def test_copies_begin_and_end_within_half_a_second(start: float, stop: float, copies: bool) -> None:
    # A second host with other octets at the same time keeps the whole from telling.
    rivals: list[Row] = [{"start": start, "stop": stop}, {"end": 2, "octets": 1010.0, "packets": 20.0}]
    assert (hosts([{}], rivals) == [(1, 50_000)]) == copies


@pytest.mark.parametrize(
    ("packets", "port", "found"),
    [(10.0, 61_000, True), (9.0, 61_000, False), (1.0, 50_000, True)],
)
def test_small_records_prove_nothing_but_by_a_port_that_was_kept(
    packets: float, port: int, found: bool
) -> None:
    outer: Row = {"packets": packets, "port": port}
    assert (hosts([outer], [{"packets": packets}]) == [(1, 50_000)]) == found


def test_small_records_follow_a_large_one_of_the_same_router() -> None:
    small: Row = {"packets": 1.0, "octets": 60.0, "remote": 101, "remote_port": 53, "protocol": 17}
    assert hosts([{}, small], [{}, {"end": 2, **small}]) == [(1, 50_000), (2, 50_000)]
    assert hosts([{"end": 8}, small], [{}, {"end": 2, **small}]) == [(1, 50_000), (NO_HOST, 61_000)]


def test_of_several_hosts_the_kept_port_tells_and_then_the_number() -> None:
    two: list[Row] = [{"end": 1, "port": 50_001}, {"end": 2, "port": 50_002}]
    assert hosts([{"port": 50_002}, {"port": 50_001}], two) == [(2, 50_002), (1, 50_001)]
    # As many as there are outer ones, in the order of their times.
    later: list[Row] = [{"end": 1, "start": 0.2}, {"end": 2, "start": 0.1}]
    assert [host for host, _ in hosts([{"start": 0.3, "port": 1}, {"start": 0.1, "port": 2}], later)] == [
        1,
        2,
    ]
    # One of them left over: nothing is guessed.
    assert [host for host, _ in hosts([{}], two)] == [NO_HOST]
    # Of one host fewer may come through than it sent.
    assert [host for host, _ in hosts([{}], [{"port": 50_001}, {"port": 50_002}])] == [1]
    assert [host for host, _ in hosts([{"port": 1}, {"port": 2}], [{"port": 50_001}])] == [NO_HOST, NO_HOST]


def test_a_kept_port_that_two_hosts_have_tells_neither() -> None:
    two: list[Row] = [{"end": 1, "port": 50_001}, {"end": 2, "port": 50_001}]
    assert hosts([{"port": 50_001}], two) == [(NO_HOST, 50_001)]


def test_a_port_is_of_its_own_cluster_of_copies() -> None:
    """The same ports again a minute later, 32,768 apart, with the hosts and the order of their times the other way round."""
    minute: Row = {"start": 60, "stop": 70, "remote": 101}
    inner: list[Row] = [
        {"end": 1, "port": 50_001, "start": 0.2}, {"end": 2, "port": 17_233},
        {"end": 2, "port": 50_001, **minute, "start": 60.2}, {"end": 1, "port": 17_233, **minute},
    ]  # fmt: skip
    outer: list[Row] = [
        {"port": 17_233, "start": 0.2}, {"port": 50_001},
        {"port": 17_233, **minute, "start": 60.2}, {"port": 50_001, **minute},
    ]  # fmt: skip
    assert [host for host, _ in hosts(outer, inner)] == [2, 1, 1, 2]


@pytest.mark.parametrize(
    ("port", "remote_port", "protocol", "telling"),
    [
        (50_000, 443, 6, True),
        (1023, 1022, 6, False),  # both given out to services (RFC 6335 6)
        (1024, 1023, 6, True),
        (1023, 1024, 6, True),
        (5060, 5060, 17, False),  # both have it by convention
        (1, 5060, 17, True),
        (5060, 1, 17, True),
        (0, 443, 6, False),
        (50_000, 0, 6, False),
        (-1, 443, 6, False),
        (50_000, 8, 1, False),
        (50_000, 8, 58, False),
        (50_000, 8, 2, True),
    ],
)
def test_ports_that_tell(port: int, remote_port: int, protocol: int, telling: bool) -> None:
    assert ends({"port": port, "remote_port": remote_port, "protocol": protocol}).telling().tolist() == [
        telling
    ]


# Conversations ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("start", "sessions"), [(130.0, 1), (130.001, 2)])
def test_a_mapping_without_traffic_ends_after_two_minutes(start: float, sessions: int) -> None:
    """RFC 4787 4.3. The longest record so far ends at 10."""
    some = ends({"start": start, "stop": 140}, {}, {"start": 2, "stop": 3})
    assert len(Sessions.of(some)) == sessions
    assert len(Sessions.of(ends({}, {"port": 61_001}, {"end": 8}, {"remote": 7}))) == 4
    assert len(Sessions.of(ends())) == 0


def test_a_session_has_what_went_each_way_and_when() -> None:
    some = ends(
        {"start": 5, "stop": 9}, {"out": False, "octets": 500.0, "packets": 7.0, "start": 1, "stop": 20},
        {"start": 3, "stop": 4, "octets": 10.0, "packets": 1.0}, {"end": 8},
    )  # fmt: skip
    found = Sessions.of(some)
    place = int(found.of_row[0])
    assert found.of_row[:3].tolist() == [place] * 3 != [int(found.of_row[3])] * 3
    assert found.octets[:, place].tolist() == [1010, 500]
    assert found.packets[:, place].tolist() == [21, 7]
    assert (found.first_ms[place], found.last_ms[place], found.end[place]) == (1000, 20_000, 9)
    assert found.any(np.array([False, True, False, False])).tolist() == [n == place for n in range(2)]


def test_a_group_has_one_value_or_none() -> None:
    groups, values = np.array([0, 0, 1, 1, 3]), np.array([5, 5, 5, 6, 0], np.int32)
    assert the_one(groups, values, 4).tolist() == [5, -1, -1, 0]


def test_rows_differ_from_the_one_before_in_any_column() -> None:
    assert changes(np.array([1, 1, 1, 2]), np.array([1, 1, 2, 2])).tolist() == [True, False, True, True]
    assert changes(np.zeros(0)).tolist() == []


CUT: list[Row] = [
    {"octets": 600.0, "packets": 12.0, "stop": 5},
    {"octets": 400.0, "packets": 8.0, "start": 5},
]


@pytest.mark.parametrize(
    ("change", "found"),
    [
        ({}, True),
        ({"octets": 100.0}, True),  # half of the octets, 500 of 1000
        ({"octets": 99.0}, False),
        ({"octets": 1600.0}, True),  # 2000
        ({"octets": 1601.0}, False),
        ({"packets": 2.0}, False),  # 10 of 20 are half; these are 10
    ],
)
def test_a_kept_port_names_the_host_where_octets_and_packets_are_half_as_many(
    change: Row, found: bool
) -> None:
    inner = [CUT[1], {**CUT[0], **change}]
    if change == {"packets": 2.0}:
        inner = [{**CUT[1], "packets": 7.0}, {**CUT[0], "packets": 2.0}]  # nine of twenty
    kept = [{**row, "port": 61_000} for row in inner]
    assert (hosts([{}], kept) == [(1, 61_000)]) == found


@pytest.mark.parametrize(("shift", "found"), [(11.0, True), (11.001, False), (-11.0, True), (-11.001, False)])
def test_a_kept_port_tells_within_a_second_of_the_conversation(shift: float, found: bool) -> None:
    kept: list[Row] = [
        {**row, "port": 61_000, "start": row.get("start", 0) + shift, "stop": row.get("stop", 10) + shift}
        for row in CUT
    ]
    assert (hosts([{}], kept) == [(1, 61_000)]) == found


def test_a_port_that_two_hosts_kept_names_neither() -> None:
    kept: list[Row] = [{**row, "port": 61_000, "end": host} for host in (1, 2) for row in CUT]
    assert hosts([{}], kept) == NOBODY


@pytest.mark.parametrize(
    ("change", "found"),
    [
        ({}, True),
        ({"octets": 350.0}, True),  # 950 of 1000
        ({"octets": 349.0}, False),
        ({"octets": 452.0}, True),  # 1000 of 1052
        ({"octets": 453.0}, False),
        ({"stop": 11.0}, True),
        ({"stop": 11.001}, False),
        ({"stop": 9.0}, True),
        ({"stop": 8.999}, False),
        ({"packets": 7.0}, True),  # 19 of 20
        ({"packets": 6.0}, False),
    ],
)
def test_a_conversation_as_a_whole_agrees_to_a_twentieth_and_a_second(change: Row, found: bool) -> None:
    """It is cut otherwise on the inside, so that no record is a copy, and has another port."""
    assert (hosts([{}], [CUT[0], {**CUT[1], **change}]) == [(1, 50_000)]) == found


@pytest.mark.parametrize(("start", "found"), [(1.0, True), (1.001, False), (-1.0, True), (-1.001, False)])
def test_a_conversation_as_a_whole_begins_within_a_second(start: float, found: bool) -> None:
    assert (hosts([{}], [{**CUT[0], "start": start}, CUT[1]]) == [(1, 50_000)]) == found


@pytest.mark.parametrize(("packets", "found"), [(10.0, True), (9.0, False)])
def test_a_whole_of_less_than_ten_packets_proves_nothing(packets: float, found: bool) -> None:
    inner = [{**CUT[0], "packets": packets - 4}, {**CUT[1], "packets": 4.0}]
    assert (hosts([{"packets": packets}], inner) == [(1, 50_000)]) == found


def test_a_whole_has_to_be_the_one_choice_of_both_sides() -> None:
    assert hosts([{}], [{**row, "end": host} for host in (1, 2) for row in CUT]) == NOBODY
    assert hosts([{"port": 1, "octets": 1001.0}, {"port": 2, "octets": 1002.0}], CUT) == [
        (NO_HOST, 1),
        (NO_HOST, 2),
    ]
    # Two conversations of one host are one choice.
    assert [
        host for host, _ in hosts([{}], [{**row, "port": port} for port in (50_000, 50_001) for row in CUT])
    ] == [1]


@pytest.mark.parametrize(("others", "found"), [(15, True), (16, False)])
def test_more_than_sixteen_conversations_with_one_remote_port_are_not_told_apart(
    others: int, found: bool
) -> None:
    rivals: list[Row] = [
        {"end": 2, "port": 40_000 + n, "octets": 9.0, "packets": 1.0, "start": 500} for n in range(others)
    ]
    assert (hosts([{}], [*CUT, *rivals]) == [(1, 50_000)]) == found


def test_what_sure_records_agree_on_holds_for_the_conversation() -> None:
    outer: list[Row] = [
        {},
        {"start": 20, "stop": 30, "octets": 77.0},
        {"start": 200, "stop": 210, "octets": 78.0},
    ]
    # The third follows after a longer pause: its port may be another host's.
    assert hosts(outer, [{}]) == [(1, 50_000), (1, 50_000), (NO_HOST, 61_000)]
    both: list[Row] = [{}, {"start": 20, "stop": 30, "octets": 77.0, "end": 2}]
    assert [host for host, _ in hosts(outer[:2], both)] == [1, 2]  # they disagree: each by its own copy


# What is said -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("routers", "said"),
    [(("a",), "(a)"), (("a", "b", "c"), "(a, b, c)"), (("a", "b", "c", "d"), "(a, b, c and 1 more)")],
)
def test_routers_are_named_up_to_three(routers: tuple[str, ...], said: str) -> None:
    none = np.zeros(1, np.int64)
    one = Translations(none, none > 0, none.astype(np.int32), none.astype(np.int32), routers)
    assert f"1 record shows its own {said};" in told(one.remarks(profile=True))[0]
    two = Translations(np.arange(2), none > 0, none.astype(np.int32), none.astype(np.int32), routers)
    assert f"2 records show its own {said};" in told(two.remarks(profile=True))[0]


@pytest.mark.parametrize(("octets", "noted"), [(5_000, True), (4_999, False)])
def test_an_address_of_a_twentieth_that_may_stand_for_many_is_noted(octets: int, noted: bool) -> None:
    rows = [up("198.51.100.7", octets=octets), up(HOST, SERVER, octets=100_000 - octets, src_port=9)]
    notes = told(build(rows, site())[2].remarks)
    assert any("198.51.100.7" in note and "stands for all hosts" in note for note in notes) == noted
    if noted:
        assert "end of 5% of" in note_with(build(rows, site())[2], "stands for all hosts")


@given(st.lists(st.integers(0, 5), max_size=12), st.lists(st.integers(0, 5), max_size=12))
def test_all_pairs_of_equal_keys_are_found(left: list[int], right: list[int]) -> None:
    found = _pairs(np.array(left, np.uint64), np.array(right, np.uint64))
    wanted = [(a, b) for a, one in enumerate(left) for b, other in enumerate(right) if one == other]
    assert sorted(zip(found[0].tolist(), found[1].tolist(), strict=True)) == wanted
