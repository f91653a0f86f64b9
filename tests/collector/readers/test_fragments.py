"""Reassembly of fragments and its bounds. RFC 791 3.2; RFC 8200 4.5 (60 s); RFC 5722 (overlaps)."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.collector.readers import fragments
from flowdiag.collector.readers.fragments import Fragments

KEY = b"addresses, identification, protocol"


def pieces(payload: bytes, width: int) -> list[tuple[int, bool, bytes]]:
    return [(at, at + width < len(payload), payload[at : at + width]) for at in range(0, len(payload), width)]


@given(st.binary(min_size=1, max_size=500), st.integers(1, 10), st.randoms(use_true_random=False))
def test_any_order_gives_the_payload_once(payload: bytes, eights: int, order: random.Random) -> None:
    shuffled = pieces(payload, 8 * eights)
    order.shuffle(shuffled)
    waiting = Fragments()
    results = [waiting.add(KEY, at, more, piece, 0) for at, more, piece in shuffled]
    assert results == [None] * (len(shuffled) - 1) + [payload]
    assert waiting.finish() == 0


def test_copies_are_ignored() -> None:
    waiting = Fragments()
    assert waiting.add(KEY, 0, True, b"12345678", 0) is None
    assert waiting.add(KEY, 0, True, b"12345678", 0) is None
    assert waiting.add(KEY, 8, False, b"90", 0) == b"1234567890"


@pytest.mark.parametrize("second", [(0, b"87654321"), (8, b"x" * 16), (4, b"12345678")])
def test_overlaps_that_disagree_drop_the_datagram(second: tuple[int, bytes]) -> None:
    waiting = Fragments()
    waiting.add(KEY, 0, True, b"12345678", 0)
    waiting.add(KEY, 16, True, b"12345678", 0)
    assert waiting.add(KEY, second[0], True, second[1], 0) is None
    assert waiting.add(KEY, 24, False, b"end", 0) is None
    assert waiting.finish() == 2  # the dropped one, and the rest that came after it


def test_two_ends_or_octets_after_the_end_drop_the_datagram() -> None:
    waiting = Fragments()
    waiting.add(KEY, 8, False, b"end", 0)
    waiting.add(KEY, 16, False, b"end", 0)
    assert waiting.given_up == 1
    waiting.add(KEY, 8, False, b"end", 0)
    waiting.add(KEY, 16, True, b"12345678", 0)
    assert waiting.given_up == 2


def test_a_piece_in_the_middle_must_be_a_multiple_of_eight() -> None:
    waiting = Fragments()
    waiting.add(KEY, 0, True, b"1234567", 0)
    assert waiting.given_up == 1


def test_an_old_datagram_gives_way_to_a_new_one_with_its_number() -> None:
    waiting = Fragments()
    waiting.add(KEY, 0, True, b"old old ", 0)
    assert waiting.add(KEY, 8, False, b"new", fragments.MAX_AGE_MS + 1) is None
    assert waiting.add(KEY, 0, True, b"new new ", fragments.MAX_AGE_MS + 2) == b"new new new"
    assert waiting.given_up == 1


def test_no_datagram_grows_beyond_65535_octets() -> None:
    waiting = Fragments()
    waiting.add(KEY, 65_528, True, b"12345678", 0)
    assert waiting.given_up == 1


def test_the_number_of_datagrams_is_bounded_and_the_oldest_goes() -> None:
    waiting = Fragments()
    for number in range(fragments.MAX_DATAGRAMS + 5):
        waiting.add(number.to_bytes(4, "big"), 0, True, b"12345678", 0)
    assert waiting.given_up == 5
    assert waiting.add((5).to_bytes(4, "big"), 8, False, b"9", 0) == b"123456789"


def test_the_octets_held_are_bounded_and_the_oldest_go(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fragments, "MAX_HELD_OCTETS", 1_000)
    waiting = Fragments()
    for number in range(6):
        waiting.add(number.to_bytes(4, "big"), 0, True, bytes(400), 0)
        assert waiting.held_octets <= 1_000
    assert waiting.given_up == 4


def test_the_pieces_of_one_datagram_are_bounded() -> None:
    waiting = Fragments()
    for number in range(fragments.MAX_PIECES + 1):
        waiting.add(KEY, 16 * number, True, b"12345678", 0)
    assert waiting.given_up == 1
