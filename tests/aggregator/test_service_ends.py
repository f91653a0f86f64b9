"""Which end of a conversation is the service where ports and other evidence compete: one kind of port against each other.

443 is a system port that is known, 1000 one that is not, 3306 a known user port, 51413 a known one where clients take
theirs, 20000 a user port and 55000 a client's that nobody knows (ranges of RFC 6335 6; the IANA registry)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.aggregator.applications import UNKNOWN
from flowdiag.aggregator.services import _KnownEnds
from tests.aggregator.tables import Row, build, down, up

SYN, UDP = 0x02, 17
NEITHER = (UNKNOWN, -1)


def named(rows: list[Row]) -> list[tuple[str, int]]:
    """Application and opened_inside of each row."""
    flows, _, _ = build(rows)
    return [
        (flows.applications[number], opened)
        for number, opened in zip(flows.application.tolist(), flows.opened_inside.tolist(), strict=True)
    ]


@pytest.mark.parametrize(
    ("stronger", "weaker", "name", "sure"),
    [
        (443, 1000, "https", False),
        (1000, 3306, "tcp/1000", True),
        (3306, 51_413, "mysql", False),
        (51_413, 20_000, "bittorrent", True),
        (20_000, 55_000, "tcp/20000", False),
        # The edges of the ranges.
        (1023, 1024, "tcp/1023", True),
        (32_767, 32_768, "tcp/32767", False),
        (1, 1024, "tcp/1", True),
    ],
)
def test_the_stronger_port_names_the_service_and_tells_the_roles_where_it_leads_by_far(
    stronger: int, weaker: int, name: str, sure: bool
) -> None:
    assert named([up(src_port=weaker, dst_port=stronger)]) == [(name, 1 if sure else -1)]
    assert named([up(src_port=stronger, dst_port=weaker)]) == [(name, 0 if sure else -1)]


@pytest.mark.parametrize(("one", "other"), [(1024, 32_767), (32_768, 65_535), (1000, 1023)])
def test_ports_of_one_kind_name_nothing(one: int, other: int) -> None:
    assert named([up(src_port=one, dst_port=other)]) == [NEITHER]


@pytest.mark.parametrize(
    ("port", "name"), [(443, "https"), (3306, "mysql"), (51_413, "bittorrent"), (1000, "tcp/1000")]
)
def test_equal_ports_name_a_service_where_they_are_known_or_a_systems(port: int, name: str) -> None:
    assert named([up(src_port=port, dst_port=port)]) == [(name, -1)]


@pytest.mark.parametrize("port", [20_000, 55_000])
def test_equal_ports_that_nobody_knows_name_nothing(port: int) -> None:
    assert named([up(src_port=port, dst_port=port)]) == [NEITHER]


def test_port_zero_is_none() -> None:
    assert named([up(src_port=0, dst_port=443), up(src_port=443, dst_port=0)]) == [NEITHER, NEITHER]


def talks(busy: int, *partners: int, **how: Any) -> list[tuple[str, int]]:
    """One inside port with several outside ones."""
    return named([up(src_port=busy, dst_port=partner, **how) for partner in partners])


def test_a_port_talks_with_many_from_four_on() -> None:
    # 20000 against clients' ports is named anyway; against known user ports only where it talks with many.
    known = (3306, 3389, 5900, 5432)
    assert {name for name, _ in talks(20_000, *known)} == {"tcp/20000"}
    assert "tcp/20000" not in {name for name, _ in talks(20_000, *known[:3])}
    assert "tcp/20000" not in {
        name for name, _ in talks(20_000, *known[:3], 3306)
    }  # three, one of them twice


def test_that_a_known_port_of_clients_talks_with_many_weighs_as_much_as_a_known_system_port() -> None:
    assert talks(51_413, 443, 80, 22, 25) == [NEITHER] * 4
    assert talks(51_413, 443, 80, 22) == [("https", 1), ("http", 1), ("ssh", 1)]


def test_what_was_called_before_is_the_service_even_against_a_known_system_port() -> None:
    call = up(src_port=40_000, dst_port=55_000, dst_address="203.0.113.50", tcp_flags=SYN)
    later = up(src_port=443, dst_port=55_000, dst_address="203.0.113.50")
    elsewhere = up(src_port=443, dst_port=55_000, dst_address="203.0.113.51")
    datagram = up(src_port=443, dst_port=55_000, dst_address="203.0.113.50", protocol=UDP)
    assert named([call, later, elsewhere, datagram]) == [
        ("tcp/55000", 1), ("tcp/55000", 1), ("https", 0), ("https", 0),
    ]  # fmt: skip


@pytest.mark.parametrize("flags", [0x10, 0x12])
def test_what_was_called_before_is_the_service_at_a_port_without_points_both_ways(flags: int) -> None:
    call = up(src_port=40_000, dst_port=55_000, tcp_flags=SYN)
    to_it = up(src_port=20_000, dst_port=55_000, tcp_flags=flags)
    from_it = down(src_port=55_000, dst_port=20_000, tcp_flags=flags)
    assert named([call, to_it, from_it]) == [("tcp/55000", 1)] * 3
    assert named([to_it, from_it]) == [("tcp/20000", -1)] * 2


def test_a_call_itself_outweighs_all_else() -> None:
    # 443 was called and talks with many, and now it calls.
    rows = [up(src_port=40_000 + n, dst_port=443, tcp_flags=SYN, src_address="203.0.113.9",
               dst_address="192.168.40.20", ingress_interface=2, egress_interface=1) for n in range(5)]  # fmt: skip
    rows.append(up(src_port=443, dst_port=55_000, tcp_flags=SYN, dst_address="203.0.113.77"))
    assert named(rows)[-1] == ("tcp/55000", 1)


def test_a_service_is_an_address_and_a_protocol_and_a_port() -> None:
    """Four clients call 20000 on one server: its neighbour's 20000 and its own 20001 are nobody's service."""
    many = [up(src_port=port, dst_port=20_000) for port in (3306, 3389, 5900, 5432)]
    neighbour = up(src_port=3306, dst_port=20_000, dst_address="203.0.113.10")
    beside = up(src_port=3306, dst_port=20_001)
    assert [name for name, _ in named([*many, neighbour, beside])] == ["tcp/20000"] * 4 + ["mysql"] * 2


@given(st.lists(st.integers(1, 300), unique=True, max_size=40), st.lists(st.integers(1, 300), max_size=60))
def test_ends_that_share_a_place_in_the_table_are_told_apart(known: list[int], asked: list[int]) -> None:
    ends, some = np.array(sorted(known), np.uint64), np.array(asked, np.uint64)
    assert _KnownEnds(ends).has(some).tolist() == [one in known for one in asked]


def test_a_port_that_is_not_told_is_no_service_whoever_called_it() -> None:
    rows = [up(dst_port=None, tcp_flags=SYN), down(src_port=None, dst_port=3306)]
    assert named(rows)[1] == NEITHER


@pytest.mark.parametrize("flag", [0x01, 0x04, 0x08, 0x20, 0x40, 0x80])
def test_whatever_else_a_syn_has_it_calls_unless_it_acknowledges(flag: int) -> None:
    """FIN (RFC 1644), RST, PSH, URG, ECE and CWR (RFC 3168 6.1.1) may stand beside SYN."""
    assert named([up(src_port=3306, dst_port=20_000, tcp_flags=SYN | flag)]) == [("tcp/20000", 1)]
    assert named([up(src_port=3306, dst_port=20_000, tcp_flags=SYN | 0x10 | flag)]) == [("mysql", 0)]
