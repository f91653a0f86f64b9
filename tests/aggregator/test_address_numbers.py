"""Addresses get one number each, whatever their family and however they are spread over batches."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from hypothesis import given
from hypothesis import strategies as some

from flowdiag.addresses import UNKNOWN_ADDRESS, V4_PREFIX
from flowdiag.aggregator.address_numbers import AddressNumbers

# Few values, so that they meet again, in both families and as null.
V4 = some.integers(0, 12).map(lambda n: V4_PREFIX + (0xC0000200 + 977 * n).to_bytes(4, "big"))
V6 = some.integers(0, 5).map(lambda n: bytes.fromhex("20010db8") + bytes(11) + bytes([n]))
ADDRESSES = some.lists(some.one_of(V4, V6, some.none()), max_size=30)


def column(addresses: list[bytes | None]) -> pa.Array:
    return pa.array(addresses, pa.binary(16))


@given(some.lists(some.tuples(ADDRESSES, ADDRESSES), max_size=5))
def test_numbers_lead_back_to_the_addresses(
    batches: list[tuple[list[bytes | None], list[bytes | None]]],
) -> None:
    numbers = AddressNumbers()
    given_out = [numbers.of(column(left), column(right)) for left, right in batches]
    every = numbers.all()
    assert len(every) == len(set(every)) == len(numbers)
    for sides, found in zip(batches, given_out, strict=True):
        for addresses, side in zip(sides, found, strict=True):
            assert [every[number] for number in side] == [address or UNKNOWN_ADDRESS for address in addresses]
    assert not numbers.overflowed


def test_a_slice_of_a_column_is_read_from_its_own_begin() -> None:
    whole = column([V4_PREFIX + bytes([192, 0, 2, n]) for n in range(6)])
    numbers = AddressNumbers()
    (part,) = numbers.of(whole.slice(2, 3))
    assert [numbers.all()[number][-1] for number in part] == [2, 3, 4]


def test_beyond_the_most_new_addresses_are_counted_together_and_known_ones_keep_their_number() -> None:
    numbers = AddressNumbers(most=3)
    first = V4_PREFIX + bytes([192, 0, 2, 1])
    sixth = bytes.fromhex("20010db8") + bytes(12)
    numbers.of(column([first, sixth]))
    flood = [V4_PREFIX + bytes([198, 51, 100, n]) for n in range(9)]
    (found,) = numbers.of(column([first, *flood, sixth]))
    assert numbers.overflowed
    every = numbers.all()
    assert [every[number] for number in found] == [first, *[UNKNOWN_ADDRESS] * 9, sixth]
    again = np.unique(numbers.of(column(flood[:2]))[0])
    assert [every[number] for number in again] == [UNKNOWN_ADDRESS]


def test_more_addresses_than_the_table_has_slots_keep_their_numbers() -> None:
    values = np.arange(400_000, dtype=">u4") * 7 + 0x0A000000
    octets = np.zeros((len(values), 16), np.uint8)
    octets[:, 10:12] = 0xFF
    octets[:, 12:] = values.view(np.uint8).reshape(-1, 4)
    every = pa.Array.from_buffers(pa.binary(16), len(values), [None, pa.py_buffer(octets.tobytes())])
    numbers = AddressNumbers()
    for order in (slice(None), slice(None, None, -1), slice(None, None, 3)):
        places = np.arange(len(values))[order]
        (found,) = numbers.of(every.take(pa.array(places)))
        assert (found == places).all()
