"""When the exporter itself was silent for longer than its own rhythm explains; minutes from the start of the export."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.silences import Silence, covered, silences
from tests.diagnoser.building import MINUTE, Book, ms

MINUTES = 60


def case(pattern: str, window: tuple[float, float] | None = None) -> Case:
    """One sign a minute: o heard, . not. window: minutes that are asked about."""
    book = Book()
    book.row(0, len(pattern) * MINUTE - 1, way=DOWN, octets=1000)
    made = book.case(span=(0, len(pattern) * MINUTE - 1))
    heard = np.array([sign == "o" for sign in pattern])
    asked = window and (ms(window[0] * MINUTE), ms(window[1] * MINUTE))
    made = replace(made, coverage=replace(made.coverage, heard=heard))
    return replace(made, window_ms=asked, window_given=True) if asked else made


def spans(made: Case) -> list[tuple[float, float]]:
    return [((one.start_ms - ms(0)) / 60_000, (one.end_ms - ms(0)) / 60_000) for one in silences(made)]


@pytest.mark.parametrize(
    ("pattern", "found"),
    [
        ("o" * 30 + "..." + "o" * 30, [(30, 33)]),
        ("o" * 30 + ".." + "o" * 30, []),
        ("o" * 30 + "..." + "o" * 9, []),  # 9 of 9.5 on the shorter side: (1/19)^3 is 1.5 in ten thousand
        # Each second minute: a half, and (1/2)^13 is 1.2 in ten thousand, (1/2)^14 under one.
        ("o." * 60 + "." * 12 + "o." * 60 + "o", []),
        ("o." * 60 + "." * 14 + "o." * 60 + "o", [(119, 134)]),
        ("..." + "o" * 30 + "...", []),  # before and after nobody asked
    ],
)
def test_a_silence_is_three_minutes_that_the_habit_around_does_not_explain(
    pattern: str, found: list[tuple[int, int]]
) -> None:
    assert spans(case(pattern)) == found


def test_the_habit_is_that_of_two_hours_on_each_side_the_quieter_one() -> None:
    busy, thin = "o" * 120, "o..." * 30
    assert spans(case(thin + busy + "...." + busy + thin)) == [(240, 244)]
    assert spans(case(busy + thin + "...." + busy)) == []
    assert spans(case(busy + "...." + thin + "o" + busy)) == []
    assert spans(case(thin + busy[1:] + "...." + busy)) == [(239, 243)]


@pytest.mark.parametrize(
    ("window", "found"),
    [
        ((-3, 30), [(-3, 0)]),
        ((-2.5, 30), []),
        ((30, 63), [(60, 63)]),
        ((30, 62.5), []),
        ((-10, 100), [(-10, 0), (60, 100)]),
    ],
)
def test_what_was_asked_about_before_and_after_the_export_is_silent(
    window: tuple[float, float], found: list[tuple[float, float]]
) -> None:
    assert spans(case("o" * 60, window)) == found


def test_an_export_without_any_sign_is_silent_as_far_as_anybody_asks() -> None:
    assert spans(case("." * 10, (2, 8))) == [(2, 8)]
    assert spans(case("." * 10, (2, 2))) == []


def test_the_part_of_a_silence_in_a_time() -> None:
    one = Silence(100, 200)
    assert [one.within(*time) for time in ((0, 150), (120, 130), (150, 300), (0, 100), (200, 300))] == [
        50,
        10,
        50,
        0,
        0,
    ]


def test_what_is_covered_is_what_no_silence_and_no_restart_takes() -> None:
    pattern = "o" * 30 + "." * 6 + "o" * 24
    assert covered(case(pattern)) == pytest.approx(0.9, abs=1e-4)
    assert covered(case(pattern, (33, 39))) == 0.5
    assert covered(case(pattern, (40, 40))) == 0.0
    made = case(pattern, (40, 50))
    restarted = replace(made, coverage=replace(made.coverage, restarts=((ms(41 * 60), ms(43 * 60)),)))
    assert covered(restarted) == 0.8


@pytest.mark.parametrize(
    ("window", "span", "missing"),
    [
        ((0, 60), (1, 60), 0),
        ((0, 60), (1.5, 60), 1.5),
        ((0, 60), (0, 59), 0),
        ((0, 60), (0, 58.5), 1.5),
        ((0, 80), (0, 60), 20),  # the silence after it is no second time missing
        ((0, 80), (1.5, 60), 21.5),
        ((10, 20), (30, 60), 10),
        ((70, 71), (0, 60), 1),
    ],
)
def test_what_lies_beyond_the_first_and_last_sign_is_not_covered_from_a_minute_on(
    window: tuple[float, float], span: tuple[float, float], missing: float
) -> None:
    made = case("o" * 60, window)
    signs = ms(span[0] * MINUTE), ms(span[1] * MINUTE)
    part = 1 - missing / (window[1] - window[0])
    assert covered(replace(made, coverage=replace(made.coverage, span_ms=signs))) == pytest.approx(part)
    assert covered(replace(made, window_given=False)) == 1.0  # nobody asked for a time of its own


@pytest.mark.parametrize(("pattern", "end", "found"), [("ooo", 8, [(3, 8)]), ("ooo", 7, [])])
def test_the_habit_of_a_short_export_is_that_of_all_its_minutes(
    pattern: str, end: float, found: list[tuple[float, float]]
) -> None:
    """Three minutes of three and a half: one in seven, which is 6 in a hundred thousand five times in a row, and 4 in ten
    thousand four times."""
    assert spans(case(pattern, (0, end))) == found
