"""The largest keys are found whatever the draw, and no key has lost more than the error says."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from flowdiag.rollup.folding import heaviest, numbered
from flowdiag.rollup.hashing import hashed

MOST = 16


def draw(kind: str, rows: int = 20_000) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    rng = np.random.default_rng(7)
    if kind == "zipf":
        return np.minimum(rng.zipf(1.2, rows), 5_000).astype(np.int64), rng.integers(40, 1_500, rows) * 1.0
    if kind == "flat":
        return rng.integers(0, 5_000, rows), np.full(rows, 40.0)
    if kind == "all different":
        return np.arange(rows), rng.integers(40, 1_500, rows) * 1.0
    # Adversarial: the largest keys have but small records, the largest records are of keys that come once.
    keys = np.concatenate([np.repeat(np.arange(MOST), 1_000), np.arange(1_000, 1_000 + rows - 1_000 * MOST)])
    octets = np.where(keys < MOST, 40.0, 1_500.0)
    order = rng.permutation(rows)
    return keys[order], octets[order]


@pytest.mark.parametrize("kind", ["zipf", "flat", "all different", "adversarial"])
def test_the_largest_keys_are_kept_whole_and_no_other_is_larger_than_the_error(kind: str) -> None:
    keys, octets = draw(kind)
    exact: Counter[int] = Counter()
    for key, value in zip(keys.tolist(), octets.tolist(), strict=True):
        exact[key] += int(value)
    classes = (keys % 3).astype(np.int32)
    found = heaviest(hashed(keys), octets, classes, 3, MOST)
    kept = keys[found.examples].tolist()
    assert len(kept) == MOST
    sums = np.bincount(found.key, octets[found.rows], MOST)
    assert [exact[key] for key in kept] == sums.tolist()
    assert sorted(sums.tolist()) == sorted(exact.values())[-MOST:]
    for key, value in exact.items():
        if key not in kept:
            assert value <= found.error[key % 3]
    assert found.error.max() <= sums.min()
    folded = found.folded(len(keys))
    assert octets[folded].sum() + sums.sum() == octets.sum()
    assert len(exact) - MOST <= found.lost.sum() <= len(folded)


def test_few_keys_are_all_kept_and_nothing_is_lost() -> None:
    keys = np.arange(1_000) % MOST
    found = heaviest(hashed(keys), np.ones(1_000), np.zeros(1_000, np.int32), 1, MOST)
    assert (len(found.examples), found.error.tolist(), found.lost.tolist()) == (MOST, [0.0], [0])
    assert len(found.folded(1_000)) == 0


def test_records_without_octets_are_no_reason_to_lose_their_key() -> None:
    keys = np.arange(100)
    found = heaviest(hashed(keys), np.zeros(100), np.zeros(100, np.int32), 1, MOST)
    assert (len(found.examples), found.lost.sum(), found.error[0]) == (MOST, 84, 0.0)


@given(st.lists(st.integers(0, 40), max_size=200))
def test_keys_are_numbered_as_a_dictionary_would(values: list[int]) -> None:
    keys = hashed(np.array(values, np.int64))
    number, examples = numbered(keys)
    assert [values[row] for row in examples[number].tolist()] == values
    assert len(examples) == len(set(values))


@given(st.lists(st.sampled_from([1, 2, 1 << 40, 1 << 63, (1 << 63) + 1]), min_size=1, max_size=60))
def test_keys_that_share_a_slot_are_told_apart(values: list[int]) -> None:
    number, examples = numbered(np.array(values, np.uint64))
    assert [values[row] for row in examples[number].tolist()] == values
    assert len(examples) == len(set(values))
