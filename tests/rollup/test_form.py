"""Octets that are not what was written are no roll-up."""

from __future__ import annotations

import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.rollup import ROLLER
from flowdiag.rollup.form import Damaged, from_octets, to_octets
from flowdiag.rollup.making import LEAST_ROWS
from flowdiag.rollup.shape import TABLES
from tests.rollup.drawn import EXPORTER, drawn, rolled

ROLLUP = rolled(drawn(500))
OCTETS = to_octets(ROLLUP)


def test_what_is_written_is_read() -> None:
    read = from_octets(OCTETS)
    assert (read.exporter, read.facts, read.report) == (ROLLUP.exporter, ROLLUP.facts, ROLLUP.report)
    for name, schema in TABLES.items():
        assert read.tables[name].schema.equals(schema)
        assert read.tables[name].equals(ROLLUP.tables[name])


@given(st.integers(0, len(OCTETS) - 1))
def test_a_part_of_it_is_damaged(length: int) -> None:
    with pytest.raises(Damaged):
        from_octets(OCTETS[:length])


@given(st.integers(0, len(OCTETS) - 1), st.integers(1, 255))
def test_another_octet_anywhere_is_damage(place: int, change: int) -> None:
    changed = bytearray(OCTETS)
    changed[place] ^= change
    with pytest.raises(Damaged):
        from_octets(bytes(changed))


def test_every_bit_of_the_header_counts() -> None:
    for place in range(200):
        for bit in range(8):
            changed = bytearray(OCTETS)
            changed[place] ^= 1 << bit
            with pytest.raises(Damaged):
                from_octets(bytes(changed))


@given(st.binary(max_size=300))
def test_other_octets_are_no_roll_up(octets: bytes) -> None:
    for made in (octets, OCTETS[:16] + octets):
        with pytest.raises(Damaged):
            from_octets(made)


def test_a_roller_goes_to_another_process_and_makes_the_same_octets_again() -> None:
    roller = pickle.loads(pickle.dumps(ROLLER))
    made = []
    for pieces in ([2_000], [700, 1_300]):
        summary, begin = roller.begin(EXPORTER), 0
        for rows in pieces:
            summary.add(drawn(2_000).slice(begin, rows))
            begin += rows
        made.append(summary.finish(None))
    first, second = map(from_octets, made)
    assert first.facts.rows == second.facts.rows == 2_000
    again = roller.begin(EXPORTER)
    again.add(drawn(2_000))
    assert again.finish(None) == made[0]


@pytest.mark.parametrize("rows", [LEAST_ROWS - 1, LEAST_ROWS])
def test_few_flows_have_no_roll_up(rows: int) -> None:
    summary = ROLLER.begin(EXPORTER)
    summary.add(drawn(rows))
    assert (summary.finish(None) is None) == (rows < LEAST_ROWS)
