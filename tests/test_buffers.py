"""Columns and arrays out of each other: the same values as by pyarrow's own ways, which are the outside check here."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from flowdiag.buffers import address_column, column, fill_null, nulls, numbers, scalar, text_column


@pytest.mark.parametrize(
    "values",
    [
        np.array([3, 0, 2**64 - 1], np.uint64),
        np.array([-1, 5], np.int32),
        np.array([0.5, -0.0, 1e300], np.float64),
        np.arange(20, dtype=np.int64)[::3],
        np.array([True, False, True, True, False, False, True, True, True]),
        np.zeros(0, np.uint16),
        np.zeros(0, np.bool_),
    ],
    ids=["uint64", "int32", "float64", "not next to each other", "truth", "none", "no truth"],
)
def test_a_column_is_what_pyarrow_makes_of_the_array(values: NDArray[Any]) -> None:
    made = column(values)
    made.validate(full=True)
    assert made.equals(pa.array(values))


@given(st.lists(st.text(alphabet=st.characters(exclude_categories=["Cs"]))))
def test_texts_are_what_pyarrow_makes_of_them(texts: list[str]) -> None:
    made = text_column(texts)
    made.validate(full=True)
    assert made.equals(pa.array(texts, pa.string()))


def test_addresses_are_what_pyarrow_makes_of_them() -> None:
    addresses = [bytes(16), bytes(range(16)), b"\xff" * 16]
    assert address_column(addresses).equals(pa.array(addresses, pa.binary(16)))
    assert address_column([]).equals(pa.array([], pa.binary(16)))


def test_an_address_of_another_length_would_shift_all_that_follow() -> None:
    with pytest.raises(ValueError, match="16 octets"):
        address_column([bytes(16), bytes(4), bytes(28)])


@pytest.mark.parametrize(
    ("value", "kind"),
    [
        (2**64 - 1, pa.uint64()),
        (-5, pa.int32()),
        (6, pa.uint8()),
        (1_772_000_000_123, pa.timestamp("ms", "UTC")),
        (-1, pa.timestamp("ms", "UTC")),
    ],
    ids=str,
)
def test_a_scalar_is_what_pyarrow_makes_of_it(value: int, kind: pa.DataType) -> None:
    assert scalar(value, kind).equals(pa.scalar(value, kind))


def test_a_value_that_the_type_cannot_hold_is_refused() -> None:
    with pytest.raises(OverflowError):
        scalar(256, pa.uint8())


@given(st.lists(st.none() | st.integers(0, 2**32 - 1)), st.integers(0, 20), st.integers(0, 20))
def test_numbers_and_nulls_of_a_part_are_those_of_the_part(
    values: list[int | None], begin: int, length: int
) -> None:
    part = pa.array(values, pa.uint32()).slice(min(begin, len(values)), length)
    missing = nulls(part)
    assert missing.tolist() == [value is None for value in part.to_pylist()]
    assert numbers(part)[~missing].tolist() == [value for value in part.to_pylist() if value is not None]


def test_a_column_that_holds_nothing_at_all_has_nulls_only() -> None:
    assert nulls(pa.nulls(3, pa.int32())).tolist() == [True] * 3
    assert numbers(pa.nulls(3, pa.int32())).shape == (3,)
    assert nulls(pa.array([1, 2])).tolist() == [False] * 2


@pytest.mark.parametrize("values", [[3, None, 5], [3, 4], [None, None], []], ids=str)
def test_what_is_null_is_filled_in_a_type_that_can_say_so(values: list[int | None]) -> None:
    part = pa.array([1, *values], pa.uint16()).slice(1)
    found = fill_null(part, -1, np.int32)
    assert (found.dtype, found.tolist()) == (np.int32, [-1 if value is None else value for value in values])
    found[:] = 0  # a copy of its own
    assert part.to_pylist() == values


def test_a_time_is_read_as_the_number_that_its_buffer_holds() -> None:
    times = pa.array([1_000, 2_000], pa.timestamp("ms", "UTC"))
    assert numbers(times, np.int64).tolist() == [1_000, 2_000]
