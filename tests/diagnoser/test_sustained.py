"""Rows of windows over a threshold: averages of noisy windows, excess handed to windows beside, dips that are bridged."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.diagnoser.signals.sustained import (
    bridged,
    joined,
    sustained,
    sustained_short,
    unblurred,
    with_hidden_dips,
    with_lost_dips,
)

TENTHS = 0.9


def over(pattern: str) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    return np.array([sign == "o" for sign in pattern])


def averaged(shares: list[float], width: int = 3) -> list[tuple[int, int]]:
    share = np.array(shares)
    return sustained(share >= TENTHS, share, TENTHS, width)


def test_noisy_windows_are_judged_by_their_average_and_it_speaks_for_all_of_them() -> None:
    # Means of three from the second window on: 0.3, 0.6, 0.9, 0.9, 0.9, 0.6, 0.3.
    assert averaged([0, 0, 0.9, 0.9, 0.9, 0.9, 0.9, 0, 0]) == [(2, 7)]
    # 0.8 and 1.0 alternate: 0.87 and 0.93 on average, of which no three stand in a row.
    assert averaged([0.8, 1.0] * 2) == []
    # 1.0, 0.85, 0.85 again and again: each three of them 0.9 on average, though two of three are under it.
    assert averaged([1.0, 0.85, 0.85] * 3) == [(0, 9)]


def test_beyond_the_ends_of_the_export_there_is_nothing_to_average() -> None:
    # The first and the last window have two thirds of 0.95 at most; the averages between them speak for them.
    assert averaged([0.95] * 5) == [(0, 5)]
    assert averaged([0.95] * 4) == []


def test_averaged_runs_that_meet_are_one() -> None:
    full, low = [0.95] * 5, 0.85
    assert averaged([*full, 0.0, *full]) == [(0, 5), (6, 11)]
    # 0.95, 0.95, 0.85: 0.917.
    assert averaged([*full, low, *full]) == [(0, 11)]


def test_runs_parted_by_one_window_need_two_thirds_and_six_in_all() -> None:
    def runs(pattern: str) -> list[tuple[int, int]]:
        return sustained(over(pattern), np.zeros(len(pattern)), TENTHS)

    assert runs("oo.oo.o") == []  # five
    assert runs("oo.o.oo.o") == [(0, 9)]  # six of nine
    assert runs("oo.o.o.oo") == [(0, 9)]
    assert runs("oo.o.o.o.o") == []  # six of ten
    assert runs(".oo.oo.oo..") == [(1, 9)]


def test_a_long_stretch_without_a_dip_counts_within_a_broken_one() -> None:
    # Thirteen of twenty windows are not two thirds, but the first nine are ninety seconds at once.
    pattern = "ooooooooo....oo...oo"
    assert sustained_short(over(pattern), 10_000, 120_000) == []
    assert sustained_short(over(pattern), 10_000, 90_000) == [(0, 9)]


@pytest.mark.parametrize(
    ("pattern", "found"),
    [
        ("ooooooo......ooooooo", [(0, 20)]),  # a dip of a minute, no longer than what is on either side
        ("oooooo......oooooo", [(0, 18)]),
        ("ooooo......oooooooo", []),  # longer than what was before it
        ("oooooooo......ooooo", []),
        ("oooooooo.......oooooooo", []),  # of seventy seconds
    ],
)
def test_a_dip_is_bridged_up_to_a_minute_and_to_the_shorter_side(
    pattern: str, found: list[tuple[int, int]]
) -> None:
    assert sustained_short(over(pattern), 10_000, 100_000) == found


def test_pieces_that_were_joined_bridge_longer_dips_together() -> None:
    # o.o are two of three; only together are they as long as the dip of two behind them.
    assert sustained_short(over("o.o..oo"), 20_000, 80_000) == []  # four of seven are not two thirds
    assert sustained_short(over("oo.oo...oooo"), 20_000, 160_000) == [(0, 12)]


def test_excess_goes_to_the_nearest_windows_first_both_sides_alike() -> None:
    # 0.12 over: 0.06 to each side; the left one has room for 0.02 only, so that the right one takes 0.10.
    assert unblurred(np.array([0.0, 0.98, 1.12, 0.5, 0.0]), 1.0) == pytest.approx([0, 1.0, 1.0, 0.6, 0])
    # Nothing beside has room within one window: it stays; within two the next ones take it.
    full = np.array([0.5, 1.0, 1.1, 1.0, 0.5])
    assert unblurred(full, 1.0) == pytest.approx(full)
    assert unblurred(full, 1.01) == pytest.approx([0.55, 1.0, 1.0, 1.0, 0.55])
    assert unblurred(full, 0.1) == pytest.approx(full)  # one window at least is looked at, and it is full


def test_excess_reaches_no_further_than_five_windows() -> None:
    row = np.array([0.0, 1.0, 1.0, 1.0, 1.0, 1.1])
    assert unblurred(row, 99.0) == pytest.approx([0.1, 1, 1, 1, 1, 1])
    row = np.array([0.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.1])
    assert unblurred(row, 99.0) == pytest.approx(row)


def test_at_an_end_the_one_window_beside_takes_all() -> None:
    assert unblurred(np.array([1.1, 0.5, 0.5]), 1.0) == pytest.approx([1.0, 0.6, 0.5])
    assert unblurred(np.array([0.5, 0.5, 1.1]), 1.0) == pytest.approx([0.5, 0.6, 1.0])


def test_exactly_the_most_over_the_plan_is_still_handed_on() -> None:
    assert unblurred(np.array([0.5, 1.125, 0.5]), 1.0, 1.125) == pytest.approx([0.5625, 1.0, 0.5625])
    assert unblurred(np.array([0.5, 1.126, 0.5]), 1.0, 1.125) == pytest.approx([0.5, 1.126, 0.5])


def test_gaps_are_bridged_up_to_their_length() -> None:
    assert bridged(over(".o..o...o"), 2) == [(1, 5), (8, 9)]
    assert joined([(0, 9), (2, 4), (9, 10), (11, 12)], 0) == [(0, 10), (11, 12)]
    assert joined([], 3) == []


def test_a_hidden_dip_is_filled_between_two_sides_only_and_up_to_its_length() -> None:
    hidden = np.ones(9, np.bool_)
    assert with_hidden_dips(over(".oo..oo.."), hidden, 2).tolist() == over(".oooooo..").tolist()
    assert with_hidden_dips(over(".oo..oo.."), hidden, 1).tolist() == over(".oo..oo..").tolist()
    hidden[4] = False  # of half of the dip something is known
    assert with_hidden_dips(over(".oo..oo.."), hidden, 2).tolist() == over(".oo..oo..").tolist()


def test_a_dip_is_bridged_that_is_no_deeper_than_what_was_lost() -> None:
    """Half of the records lost of four windows: of 0.9 of the plan, 0.45 is left."""
    lost = np.array([0, 0, 0.5, 0.5, 0.5, 0.5, 0, 0])

    def filled(*dip: float, hidden: str = "..oooo..") -> list[bool]:
        measured = np.array([1, 1, *dip, 1, 1])
        return with_lost_dips(measured >= 0.9, over(hidden), measured, lost, 0.9).tolist()

    assert all(filled(0.45, 0.4, 0.5, 0.45))
    assert filled(0.44, 0.4, 0.5, 0.45) == over("oo....oo").tolist()
    # One window over the threshold parts two dips, of which each is judged by itself.
    assert filled(0.5, 0.95, 0.1, 0.2) == over("oooo..oo").tolist()
    # What is not hidden was seen to be under it.
    assert filled(0.5, 0.5, 0.5, 0.5, hidden="...ooo..") == over("oo....oo").tolist()
    # Before and after it something has to be over it.
    ends = np.array([0.5, 0.5, 1, 1, 1, 1, 0.5, 0.5])
    assert (
        with_lost_dips(ends >= 0.9, over("oooooooo"), ends, np.full(8, 0.5), 0.9).tolist()
        == over("..oooo..").tolist()
    )
