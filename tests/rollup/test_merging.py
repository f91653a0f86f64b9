"""Roll-ups merge to the same tables in whatever order and groups."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flowdiag.addresses import UNKNOWN_ADDRESS, to_bytes
from flowdiag.rollup.merging import merged
from flowdiag.rollup.shape import TABLES, RollUp
from tests.rollup.drawn import EXPORTER, drawn, rolled

PARTS = [rolled(drawn(3_000, seed)) for seed in (1, 2, 3)]
ADDED = ("octets", "packets", "padding_46", "padding_38", "flows")


def tables(rollup: RollUp) -> dict[str, object]:
    return {name: table.to_pylist() for name, table in rollup.tables.items()}


def test_the_order_and_the_groups_are_no_matter() -> None:
    one, two, three = PARTS
    left, right = merged([merged([one, two]), three]), merged([one, merged([two, three])])
    turned = merged([three, one, two])
    assert tables(left) == tables(right) == tables(turned) == tables(merged(PARTS))
    assert left.facts.rows == right.facts.rows == 9_000
    assert left.facts.needs_flows == right.facts.needs_flows


@pytest.mark.parametrize("name", TABLES)
def test_sums_and_bounds_add_up(name: str) -> None:
    together = merged(PARTS).tables[name]
    for column in (*ADDED, "error", "keys", "records", "bare_syns", "most_octets", "most_destinations"):
        if column in together.column_names:
            expected = sum(sum(part.tables[name][column].to_pylist()) for part in PARTS)
            assert sum(together[column].to_pylist()) == expected


def test_first_last_and_flags_are_those_of_all() -> None:
    one = rolled(drawn(3_000, 1))
    twice = merged([one, one]).tables["conversations"]
    once = one.tables["conversations"]
    assert twice.num_rows == once.num_rows
    for column in ("start", "end", "tcp_flags", "hour", "src_address"):
        keys = sorted(map(str, once[column].to_pylist()))
        assert sorted(map(str, twice[column].to_pylist())) == keys


def test_facts_of_one_are_its_own() -> None:
    one = PARTS[0]
    alone = merged([one])
    assert (alone.exporter, alone.facts.rows, alone.facts.first_ms) == (EXPORTER, 3_000, one.facts.first_ms)
    assert sorted(alone.facts.durations_ms) == sorted(one.facts.durations_ms)


def test_other_exporters_are_nobody_s() -> None:
    other = RollUp(to_bytes("192.0.2.2"), PARTS[1].facts, {b"a": b"b"}, PARTS[1].tables)
    together = merged([PARTS[0], other])
    assert (together.exporter, together.report) == (UNKNOWN_ADDRESS, {})


def test_tables_that_not_all_have_are_left_out() -> None:
    some = RollUp(EXPORTER, PARTS[1].facts, {}, {"hours": PARTS[1].tables["hours"]})
    assert list(merged([PARTS[0], some]).tables) == ["hours"]


@given(st.permutations(range(3)))
@settings(max_examples=6)
def test_samples_of_durations_are_as_many_for_each_file(order: list[int]) -> None:
    facts = merged([PARTS[n] for n in order]).facts
    assert facts.durations_ms == merged(PARTS).facts.durations_ms
    assert len(facts.durations_ms) == len(facts.duration_packets) <= 2_000
