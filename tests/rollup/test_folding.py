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


@pytest.mark.parametrize("kind", ["zipf", "flat", "all different", "adversarial"])
def test_each_class_keeps_its_own_largest_keys_besides(kind: str) -> None:
    """Class 1 has a hundredth of the octets of the others, and class 2 only three keys, hardly any."""
    keys, octets = draw(kind)
    classes = (keys % 7 == 1).astype(np.int32)
    octets = np.where(classes == 1, np.floor(octets / 100), octets)
    keys = np.concatenate([keys, [-1, -2, -1, -3]])
    octets, classes = np.append(octets, [1.0, 2.0, 1.0, 0.0]), np.append(classes, np.full(4, 2, np.int32))
    exact: Counter[int] = Counter()
    for key, value in zip(keys.tolist(), octets.tolist(), strict=True):
        exact[key] += int(value)
    found = heaviest(hashed(keys), octets, classes, 3, MOST, own=5)
    plain = heaviest(hashed(keys), octets, classes, 3, MOST)
    kept = keys[found.examples].tolist()
    assert len(kept) == len(set(kept))
    assert found.rows.tolist() == sorted(set(found.rows.tolist()))
    assert keys[found.examples[found.key]].tolist() == keys[found.rows].tolist()
    sums = np.bincount(found.key, octets[found.rows], len(kept))
    assert [exact[key] for key in kept] == sums.tolist()
    for number in range(3):
        sizes = sorted(exact[key] for key in set(keys[classes == number].tolist()))
        here = sorted(exact[key] for key in set(kept) & set(keys[classes == number].tolist()))
        before = (classes[plain.examples] == number).sum()
        assert here == sizes[-max(before, min(5, len(sizes))) :]
        assert found.error[number] >= max(sizes[: len(sizes) - len(here)], default=0)
        assert found.lost[number] >= len(sizes) - len(here)
    assert found.lost.tolist()[2] == 0
    gone = found.folded(len(keys))
    assert octets[gone].sum() + sums.sum() == octets.sum()


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
