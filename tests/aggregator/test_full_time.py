"""Time over a threshold by windows and by times known to the second, in seconds worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.aggregator.full_time import busy_ms, full_ms, inside
from flowdiag.durations import Span

BEGINS = np.arange(5, dtype=np.int64) * 60_000
LENGTHS = np.full(5, 60_000, np.int64)


def seconds(over: list[int], *exact: tuple[int, int]) -> tuple[float, float]:
    """Full and busy seconds of five minutes of which some are over both thresholds."""
    mask = np.isin(np.arange(5), over)
    spans: list[Span] = [(begin * 1000, end * 1000) for begin, end in exact]
    return full_ms(BEGINS, LENGTHS, mask, spans) / 1000, busy_ms(BEGINS, LENGTHS, mask, spans) / 1000


def test_without_exact_times_windows_count() -> None:
    assert seconds([1, 3]) == (120, 120)


@pytest.mark.parametrize(
    ("over", "spell", "full", "busy"),
    [
        ([], (70, 110), 40, 40),  # a spell within a minute that is not full
        ([1, 2], (50, 190), 140, 140),  # it reaches beyond two full minutes on both sides
        ([1, 2], (65, 180), 115, 120),  # and lacks five seconds of them: busy, and not full
        ([0, 4], (60, 240), 300, 300),  # windows that it only touches with its ends are theirs
        ([0, 1], (110, 130), 80, 130),  # a full minute beside it, and one that only it says something of
    ],
)
def test_a_spell_counts_in_place_of_the_windows_it_touches(
    over: list[int], spell: tuple[int, int], full: int, busy: int
) -> None:
    assert seconds(over, spell) == (full, busy)


def test_several_spells_in_one_window_are_added_up() -> None:
    assert seconds([1], (60, 90), (100, 120)) == (50, 60)


def test_spans_are_cut_to_a_time() -> None:
    assert inside([(0, 10), (20, 40), (50, 60)], 30, 50) == [(30, 40)]
