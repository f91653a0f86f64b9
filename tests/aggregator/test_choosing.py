"""Columns chosen without branches are those of numpy.where()."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.aggregator.choosing import either, exchanged
from flowdiag.aggregator.chunks import ordered_by
from flowdiag.aggregator.concurrently import both
from flowdiag.aggregator.services import _KnownEnds
from flowdiag.diagnoser.signals.conversations import occurring_again

MASK = np.array([True, False, True, True, False])


@pytest.mark.parametrize("kind", [np.int8, np.int16, np.int32, np.bool_])
def test_either_and_exchanged_choose_as_where_does(kind: type[np.generic]) -> None:
    left, right = np.array([0, 1, -1, 100, -128]).astype(kind), np.array([7, -1, 0, 1, 127]).astype(kind)
    one, other = exchanged(MASK, left, right)
    for found, yes, no in (
        (either(MASK, left, right), left, right),
        (one, left, right),
        (other, right, left),
    ):
        assert found.dtype == kind
        assert found.tolist() == np.where(MASK, yes, no).tolist()


def test_either_takes_one_value_for_all() -> None:
    assert either(MASK, np.int32(-1), np.arange(5, dtype=np.int32)).tolist() == [-1, 1, -1, -1, 4]


@pytest.mark.parametrize("size", [50, 1 << 20])
def test_equal_numbers_keep_their_order(size: int) -> None:
    numbers = np.random.default_rng(3).integers(0, 50, 1000).astype(np.int32)
    assert ordered_by(numbers, size).tolist() == sorted(range(1000), key=lambda place: numbers[place])


def test_ends_with_the_low_bits_of_another_are_told_apart() -> None:
    known = np.array([5, 5 + (1 << 40), 6 + (1 << 40), 9], np.uint64)
    asked = np.array([5, 5 + (1 << 40), 5 + (1 << 41), 6, 6 + (1 << 40), 9, 10], np.uint64)
    assert _KnownEnds(np.sort(known)).has(asked).tolist() == [True, True, False, False, True, True, False]


def test_what_occurs_again() -> None:
    keys = np.array([3, 1 << 60, 3, 8, 1 << 60, 9], np.uint64)
    assert occurring_again(keys).tolist() == [True, True, True, False, True, False]


def test_both_give_their_results_in_order_and_the_first_error() -> None:
    assert both(lambda: 1, lambda: "two") == (1, "two")

    def fails() -> int:
        raise ValueError("first")

    with pytest.raises(ValueError, match="first"):
        both(fails, lambda: 2)
