"""The largest keys of some records, and what became of all others: bounded summaries of heavy hitters.

As counter-based summaries do (aggregator/partials.py has the sources), so many keys are kept and the rest is folded, and an
error bounds what any key may have lost. A kept key has all octets of the records that it was chosen from; folding again
what was folded before adds the errors up.

How it is computed, without sorting all records:
- records are added up in slots of a hash of their key, which bounds each of the slot's keys from above;
- the largest records, added up by key, bound from below what it takes to be among the largest keys;
- only records in slots that reach it are grouped by key;
- a class whose keys are all small has few records mostly: all of them are grouped, and its own largest keys are kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

# Slots for each record, at least; and records that are looked at first for each key that is kept.
_SPARSENESS: Final = 1
_LOOKED_AT: Final = 2
_MIN_SLOT_BITS: Final = 8
# Fewer records of a class are all grouped.
_FEW_RECORDS: Final = 1 << 12


class Heaviest(Struct, frozen=True, eq=False):
    """Which records belong to kept keys.

    rows: of kept keys, in order; key: the number of each one's key, from 0 up (shape of rows); examples: one row of each
    key; error: by class of records, the most octets that one of its keys may have lost; lost: by class, how many keys were
    folded, at most.
    """

    rows: NDArray[np.intp]
    key: NDArray[np.intp]
    examples: NDArray[np.intp]
    error: NDArray[np.float64]
    lost: NDArray[np.int64]

    def folded(self, rows: int) -> NDArray[np.intp]:
        """Those of so many rows that belong to no kept key, in order."""
        gone = np.ones(rows, np.bool_)
        gone[self.rows] = False
        return np.flatnonzero(gone)


def heaviest(
    keys: NDArray[np.uint64],
    octets: NDArray[np.float64],
    classes: NDArray[np.int32],
    class_count: int,
    most: int,
    own: int = 0,
) -> Heaviest:
    """The keys with most octets. keys: well mixed hashes, shape [n]; classes: a key's records are all of one class;
    most: how many keys are kept; own: how many of each class are, whatever the others have."""
    found = _heaviest(keys, octets, classes, class_count, most)
    short = np.bincount(classes[found.examples], minlength=class_count) < own
    short &= found.lost > 0
    if not short.any():
        return found
    return _with_own(found, keys, octets, classes, np.flatnonzero(short), own)


def _with_own(
    found: Heaviest,
    keys: NDArray[np.uint64],
    octets: NDArray[np.float64],
    classes: NDArray[np.int32],
    short: NDArray[np.intp],
    own: int,
) -> Heaviest:
    """With the largest keys of classes of which fewer than `own` were kept, instead of those."""
    is_short = np.zeros(len(found.error), np.bool_)
    is_short[short] = True
    rows, error, lost = _near_own(keys, octets, classes, is_short, own)
    number, examples = numbered(keys.take(rows))
    examples = rows[examples]
    totals = np.bincount(number, octets.take(rows), len(examples))
    of_key = classes[examples]
    kept = largest_of_groups(of_key, totals, np.full(len(is_short), own))
    np.maximum.at(error, of_key[~kept], totals[~kept])
    lost += np.bincount(of_key[~kept], minlength=len(lost))
    error, lost = np.where(is_short, error, found.error), np.where(is_short, lost, found.lost)
    others = ~is_short.take(classes[found.examples])
    of_others = np.flatnonzero(others.take(found.key))
    stays = np.flatnonzero(kept.take(number))
    every = np.concatenate([found.rows[of_others], rows[stays]])
    order = np.argsort(every, kind="stable")
    key = np.concatenate(
        [
            (np.cumsum(others) - 1).take(found.key[of_others]),
            others.sum() + (np.cumsum(kept) - 1).take(number[stays]),
        ]
    )
    return Heaviest(
        every[order], key[order], np.concatenate([found.examples[others], examples[kept]]), error, lost
    )


def _near_own(
    keys: NDArray[np.uint64],
    octets: NDArray[np.float64],
    classes: NDArray[np.int32],
    is_short: NDArray[np.bool_],
    own: int,
) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.int64]]:
    """Records of some classes that may be among the `own` largest keys of theirs, in order; and by class the most octets of
    a key that is not, and how many there are, at most."""
    error, lost = np.zeros(len(is_short)), np.zeros(len(is_short), np.int64)
    wanted = is_short.take(classes)
    counts = np.bincount(classes, minlength=len(is_short))
    for number in np.flatnonzero(is_short & (counts > _FEW_RECORDS)).tolist():
        rows = np.flatnonzero(classes == number)
        of_class, of_rows = keys.take(rows), octets.take(rows)
        reach = _reach(of_class, of_rows, own)
        slots, size = _slots(of_class)
        far = rows[np.bincount(slots, of_rows, size).take(slots) < reach]
        wanted[far] = False
        error[number], lost[number] = reach * (len(far) > 0), len(far)
    return np.flatnonzero(wanted), error, lost


def _heaviest(
    keys: NDArray[np.uint64],
    octets: NDArray[np.float64],
    classes: NDArray[np.int32],
    class_count: int,
    most: int,
) -> Heaviest:
    slots, size = _slots(keys)
    sums = np.bincount(slots, octets, size).astype(np.float64, copy=False)
    reach = _reach(keys, octets, most) if len(keys) > most else 0.0
    of_slot = sums.take(slots)
    near = np.flatnonzero(of_slot >= reach)
    number, examples = numbered(keys.take(near))
    examples = near[examples]
    totals = np.bincount(number, octets.take(near), len(examples)).astype(np.float64, copy=False)
    kept = np.ones(len(examples), np.bool_)
    if len(examples) > most:
        kept[np.argpartition(totals, len(examples) - most)[:-most]] = False
    error, lost = np.zeros(class_count), np.zeros(class_count, np.int64)
    gone = classes[examples[~kept]]
    np.maximum.at(error, gone, totals[~kept])
    lost += np.bincount(gone, minlength=class_count)
    if len(near) < len(keys):
        # No slot of these reached it, so none of their keys has.
        far = np.bincount(classes.take(np.flatnonzero(of_slot < reach)), minlength=class_count)
        error = np.maximum(error, reach * (far > 0))
        lost += far
    stays = np.flatnonzero(kept.take(number))
    renumbered = np.cumsum(kept) - 1
    return Heaviest(near[stays], renumbered.take(number[stays]), examples[kept], error, lost)


def numbered(keys: NDArray[np.uint64]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The number of each key, from 0 up (shape [n]), and a row of each (shape [distinct]). keys: well mixed hashes."""
    # Rows in slots of one key need no sorting.
    slots, size = _slots(keys)
    example = np.full(size, -1, np.int32)
    example[slots] = np.arange(len(keys), dtype=np.int32)
    strange = np.flatnonzero(keys.take(example.take(slots)) != keys)
    number_of_slot = np.empty(size, np.intp)
    if not len(strange):
        of_one = np.flatnonzero(example >= 0)
        number_of_slot[of_one] = np.arange(len(of_one))
        return number_of_slot.take(slots), example[of_one].astype(np.intp)
    alone = example >= 0
    alone[slots[strange]] = False
    of_one = np.flatnonzero(alone)
    number_of_slot[of_one] = np.arange(len(of_one))
    number = number_of_slot.take(slots)
    shared = np.flatnonzero(~alone.take(slots))
    order = shared[np.argsort(keys[shared], kind="stable")]
    begins = run_begins([keys[order]])
    number[order] = len(of_one) + np.repeat(np.arange(len(begins)), np.diff(begins, append=len(order)))
    return number, np.concatenate([example[of_one], order[begins]])


def run_begins(ordered: Sequence[NDArray[Any]]) -> NDArray[np.intp]:
    """Where runs of equal rows begin in columns that are in order. Shape [runs]."""
    differs = np.ones(len(ordered[0]), np.bool_)
    if len(differs):
        differs[1:] = ordered[0][1:] != ordered[0][:-1]
        for column in ordered[1:]:
            differs[1:] |= column[1:] != column[:-1]
    return np.flatnonzero(differs)


def largest_of_groups(
    groups: NDArray[Any], values: NDArray[Any], limits: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Which rows are among the largest of their group. groups: numbers from 0 up; limits: how many of each group; of equal
    ones the first. Shape [n]."""
    order = np.lexsort((-values, groups))
    begins = run_begins([groups[order]])
    rank = np.arange(len(order)) - np.repeat(begins, np.diff(begins, append=len(order)))
    kept = np.zeros(len(order), np.bool_)
    kept[order] = rank < limits[groups[order]]
    return kept


def _slots(keys: NDArray[np.uint64]) -> tuple[NDArray[np.intp], int]:
    """The slot of each key, and how many slots there are."""
    bits = max(int(_SPARSENESS * len(keys)).bit_length(), _MIN_SLOT_BITS)
    return (keys >> np.uint64(64 - bits)).view(np.intp), 1 << bits


def _reach(keys: NDArray[np.uint64], octets: NDArray[np.float64], most: int) -> float:
    """No more than the `most`-th largest key has; 0 where that is not known."""
    looked_at = min(_LOOKED_AT * most, len(keys))
    least = np.partition(octets, len(keys) - looked_at)[-looked_at]
    rows = np.flatnonzero(octets > least)
    rows = np.concatenate([rows, np.flatnonzero(octets == least)[: looked_at - len(rows)]])
    order = rows[np.argsort(keys[rows], kind="stable")]
    begins = run_begins([keys[order]])
    if len(begins) < most:
        return 0.0
    totals = np.add.reduceat(octets[order], begins)
    return float(np.partition(totals, len(totals) - most)[-most])
