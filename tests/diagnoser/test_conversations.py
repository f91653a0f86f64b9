"""Which records answer each other."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.signals.conversations import (
    among,
    answered,
    distinct,
    occurring_again,
    sees_downloads,
)
from tests.diagnoser.building import ICMP, SYN, UDP, Book


def test_the_same_ports_the_other_way_are_an_answer_and_others_are_not() -> None:
    book = Book()
    book.row(0, 1, way=UP, octets=60, inside_port=1000)
    book.row(0, 1, way=UP, octets=60, inside_port=1001)
    book.row(0, 1, way=DOWN, octets=60, inside_port=1000)
    flows = book.case(span=(0, 60)).flows
    assert answered(flows, np.array([0, 1])).tolist() == [True, False]


def test_an_echo_reply_answers_a_request_although_their_types_differ() -> None:
    """RFC 792: request is type 8, reply type 0."""
    book = Book()
    book.row(0, 1, way=UP, octets=84, protocol=ICMP, port=2048, inside_port=0)
    book.row(0, 1, way=DOWN, octets=84, protocol=ICMP, port=0, inside_port=0)
    assert answered(book.case(span=(0, 60)).flows, np.array([0])).tolist() == [True]


def test_an_export_with_uploads_only_shows_no_answers() -> None:
    book = Book()
    book.row(0, 1, way=UP, octets=60, flags=SYN)
    assert not sees_downloads(book.case(span=(0, 60)).flows)


@given(st.lists(st.integers(0, 2**64 - 1), max_size=60), st.lists(st.integers(0, 2**64 - 1), max_size=60))
def test_membership_agrees_with_a_set(keys: list[int], known: list[int]) -> None:
    known += keys[::3]
    found = among(np.array(keys, np.uint64), np.array(known, np.uint64))
    assert found.tolist() == [key in set(known) for key in keys]


def test_distinct_counts_values_once() -> None:
    assert distinct(np.array([3, 1, 3, 0], np.int32), 5) == 3


@pytest.mark.parametrize(
    "other",
    [
        {"inside": "192.168.40.21"},
        {"outside": "203.0.113.10"},
        {"inside_port": 50_001},
        {"port": 444},
        {"port": 444, "inside_port": 49_999},
        {"protocol": UDP},
        {"inside": "203.0.113.9", "outside": "192.168.40.20"},
    ],
)
def test_a_record_that_differs_in_one_thing_is_no_answer(other: dict[str, Any]) -> None:
    book = Book()
    book.row(0, 1, way=UP, octets=60)
    book.row(0, 1, way=DOWN, octets=60, **other)
    book.row(0, 1, way=UP, octets=60)
    flows = book.case(span=(0, 60)).flows
    assert answered(flows, np.array([0])).tolist() == [False]


def test_version_six_pings_are_told_by_addresses_and_protocol() -> None:
    """RFC 4443: request 128, reply 129; version four's pings between the same two are others."""
    book = Book()
    book.row(0, 1, way=UP, octets=84, protocol=58, port=128 << 8, inside_port=0)
    book.row(0, 1, way=DOWN, octets=84, protocol=58, port=129 << 8, inside_port=0)
    book.row(0, 1, way=UP, octets=84, protocol=ICMP, port=8 << 8, inside_port=0)
    assert answered(book.case(span=(0, 60)).flows, np.array([0, 2])).tolist() == [True, False]


@pytest.mark.parametrize(
    ("flags", "protocol", "refuses"),
    [
        (0x14, 6, True),
        (0x04, 6, True),
        (0x12, 6, False),
        (0x16, 6, False),
        (0x06, 6, False),
        (-1, 6, False),
        (0x14, UDP, False),
    ],
)
def test_a_refusal_is_a_reset_of_who_never_agreed(flags: int, protocol: int, refuses: bool) -> None:
    """RFC 9293 3.5: whoever accepts sends SYN and ACK before anything else."""
    book = Book()
    book.row(0, 1, way=UP, octets=60, flags=SYN, protocol=protocol)
    book.row(0, 1, way=DOWN, octets=40, flags=flags, protocol=protocol)
    flows = book.case(span=(0, 60)).flows
    assert answered(flows, np.array([0])).tolist() == [True]
    assert answered(flows, np.array([0]), refusals=False).tolist() == [not refuses]


def test_downloads_are_answered_by_uploads() -> None:
    book = Book()
    book.row(0, 1, way=DOWN, octets=60)
    book.row(0, 1, way=DOWN, octets=60, port=80)
    book.row(0, 1, way=UP, octets=60)
    assert answered(book.case(span=(0, 60)).flows, np.array([0, 1])).tolist() == [True, False]
    assert answered(book.case(span=(0, 60)).flows, np.zeros(0, np.intp)).tolist() == []


@pytest.mark.parametrize(("uploads", "seen"), [(100, True), (101, False)])
def test_downloads_are_seen_from_a_hundredth_of_the_uploads_on(uploads: int, seen: bool) -> None:
    book = Book()
    book.row(0, 1, way=DOWN, octets=60)
    for _ in range(uploads):
        book.row(0, 1, way=UP, octets=60)
    assert sees_downloads(book.case(span=(0, 60)).flows) == seen


@given(st.lists(st.integers(0, 9), max_size=30))
def test_what_occurs_again_is_what_a_count_says(keys: list[int]) -> None:
    mixed = np.array([key * 0x9E3779B97F4A7C15 % 2**64 for key in keys], np.uint64)
    assert occurring_again(mixed).tolist() == [keys.count(key) > 1 for key in keys]
