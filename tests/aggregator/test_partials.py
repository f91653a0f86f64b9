"""Partials: the same in any order and grouping, the same as pandas and as a plain loop, and folding within its bound."""

from __future__ import annotations

from collections import defaultdict
from typing import Any, cast

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.aggregator.partials import (
    KEPT_PART,
    STEP,
    Measure,
    Partial,
    aggregate,
    merge,
    nothing,
    with_values,
)

Flow = tuple[int, int, int, int, int, float]  # key, octets, packets, first, last, part
NAMES = [f"host-{number}" for number in range(8)]
MEASURES: list[Measure] = ["octets", "packets", "flows"]

some_flows = st.lists(
    st.tuples(
        st.integers(0, 7),
        st.integers(0, 10**9),
        st.integers(0, 10**6),
        st.integers(0, 10**6),
        st.integers(0, 10**6),
        st.sampled_from([1.0, 1.0, 0.5, 1 / 3, 0.0001]),
    ),
    min_size=1,
    max_size=40,
)


def partial_of(
    flows: list[Flow], by: Measure = "octets", max_keys: int = 1000, *, as_numbers: bool = True
) -> Partial:
    keys, octets, packets, first, last, part = (list(column) for column in zip(*flows, strict=True))
    numbers = pa.array(np.array(keys, np.int32))
    pool = pa.array(NAMES)
    partial = aggregate(
        {"host": numbers if as_numbers else pool.take(numbers)},
        by,
        octets=np.array(octets, float),
        wire_octets=np.array(octets, float) + 18 * np.array(packets, float),
        packets=np.array(packets, float),
        first_ms=np.array(first, np.int64),
        last_ms=np.array(last, np.int64),
        part=np.array(part),
        max_keys=max_keys,
    )
    return with_values(partial, {"host": pool}) if as_numbers else partial


def stepped(value: float) -> float:
    return max(round(value * STEP), value > 0) / STEP


def same(one: Partial, other: Partial) -> bool:
    return one.table.equals(other.table) and one.folded == other.folded


@given(some_flows)
def test_sums_are_those_of_a_plain_loop(flows: list[Flow]) -> None:
    wanted: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0, 0.0, 0.0, 10**9, -1])
    for key, octets, packets, first, last, part in flows:
        row = wanted[NAMES[key]]
        row[0] += stepped(octets * part)
        row[1] += stepped((octets + 18 * packets) * part)
        row[2] += stepped(packets * part)
        row[3] += 1
        row[4] = min(row[4], first)
        row[5] = max(row[5], last)
    found = {row.pop("host"): list(row.values()) for row in partial_of(flows).table.to_pylist()}
    assert found == wanted


@given(some_flows)
def test_sums_are_those_of_pandas(flows: list[Flow]) -> None:
    frame = pd.DataFrame(flows, columns=["host", "octets", "packets", "first_ms", "last_ms", "part"])
    frame = frame.assign(host=[NAMES[key] for key in frame["host"]], part=1.0)
    wanted = frame.groupby("host").agg(
        octets=("octets", "sum"),
        packets=("packets", "sum"),
        flows=("octets", "count"),
        first_ms=("first_ms", "min"),
        last_ms=("last_ms", "max"),
    )
    found = partial_of([(*flow[:5], 1.0) for flow in flows]).table.to_pandas().set_index("host")
    pd.testing.assert_frame_equal(found[list(wanted.columns)], wanted, check_dtype=False)


@given(some_flows)
def test_keys_by_number_and_by_value_give_the_same(flows: list[Flow]) -> None:
    assert same(partial_of(flows), partial_of(flows, as_numbers=False))


@given(some_flows, st.data())
def test_any_order_and_any_grouping_give_the_same_table(flows: list[Flow], data: st.DataObject) -> None:
    whole = partial_of(flows)
    shuffled = data.draw(st.permutations(flows))
    cuts = sorted(data.draw(st.lists(st.integers(0, len(flows)), max_size=5)))
    pieces = [
        partial_of(shuffled[low:high])
        for low, high in zip([0, *cuts], [*cuts, len(flows)], strict=True)
        if low < high
    ]
    assert same(merge(*pieces), whole)
    left = pieces[0]
    for piece in pieces[1:]:
        left = merge(left, piece)
    right = pieces[-1]
    for piece in reversed(pieces[:-1]):
        right = merge(piece, right)
    assert same(left, whole)
    assert same(right, whole)


def test_nothing_changes_nothing() -> None:
    some = partial_of([(1, 10, 1, 0, 5, 1.0)])
    assert same(merge(nothing({"host": pa.string()}, "octets"), some), some)


def test_other_measures_or_keys_cannot_be_merged() -> None:
    flow = (1, 10, 1, 0, 5, 1.0)
    with pytest.raises(ValueError, match="different keys or measures"):
        merge(partial_of([flow]), partial_of([flow], by="flows"))


@given(some_flows, st.sampled_from(MEASURES), st.integers(2, 6))
def test_folding_keeps_totals_and_its_bound(flows: list[Flow], by: Measure, max_keys: int) -> None:
    exact = partial_of(flows, by)
    pieces = [partial_of([flow], by, max_keys) for flow in flows]
    folded = pieces[0]
    for piece in pieces[1:]:
        folded = merge(folded, piece, max_keys=max_keys)
    assert len(folded.table) <= max_keys
    for measure in ("octets", "wire_octets", "packets", "flows"):
        assert folded.total(measure) == exact.total(measure)
    known = cast(
        dict[str, float], dict(zip(*(folded.table[n].to_pylist() for n in ("host", by)), strict=True))
    )
    for row in exact.table.to_pylist():
        lost = row[by] - known.get(row["host"], 0.0)
        assert 0 <= lost <= folded.folded.error
    assert (folded.folded.error == 0.0) or folded.folded.keys > 0


def test_as_many_keys_as_may_be_are_kept_and_one_more_folds_all_but_half() -> None:
    flows: list[Flow] = [(key, 1000 * (key + 1), 1, 0, 0, 1.0) for key in range(len(NAMES))]
    whole = partial_of(flows, max_keys=len(NAMES))
    assert (len(whole.table), whole.folded.keys) == (len(NAMES), 0)
    part = partial_of(flows, max_keys=len(NAMES) - 1)
    kept = (len(NAMES) - 1) // KEPT_PART
    assert (len(part.table), part.folded.keys) == (kept, len(NAMES) - kept)
    assert sorted(part.table["octets"].to_pylist()) == [1000 * (key + 1) for key in range(len(NAMES))][-kept:]
    assert part.folded.error == 1000 * (len(NAMES) - kept)  # of the largest that went


def test_the_largest_keys_stay_when_a_long_tail_is_folded() -> None:
    rng = np.random.default_rng(7)
    count = 20_000
    tail: dict[str, Any] = {"host": pa.array([f"tail-{n}" for n in range(count)])}
    heavy = pa.array([f"heavy-{n}" for n in range(10)])

    def rows(keys: dict[str, pa.Array], octets: np.ndarray[Any, np.dtype[np.float64]]) -> Partial:
        zeros = np.zeros(len(octets), np.int64)
        return aggregate(
            keys, "octets", octets=octets, wire_octets=octets, packets=octets, first_ms=zeros, last_ms=zeros,
            max_keys=1000,
        )  # fmt: skip

    table = rows(tail, rng.integers(1, 100, count).astype(float))
    for _ in range(20):
        table = merge(table, rows({"host": heavy}, np.full(10, 10_000.0)), max_keys=1000)
    order = np.argsort(-table.table["octets"].to_numpy(), kind="stable")[:10]
    assert set(table.table.take(pa.array(order))["host"].to_pylist()) == set(heavy.to_pylist())
    assert 0 < table.folded.error < 100
