"""Which records answer each other."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.signals.conversations import among, answered, distinct, sees_downloads
from tests.diagnoser.building import ICMP, SYN, Book


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
