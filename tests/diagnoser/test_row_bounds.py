"""Sustained times of one link direction, from rows of windows given by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.aggregator.usage import Usage
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals import episodes
from flowdiag.diagnoser.signals.episodes import _Row, sampling_error
from tests.diagnoser.building import MINUTE, Book, bare, ms, profile

SITE = profile(backup=False)


def runs(
    pattern: str, window_s: int = 60, *, window: tuple[float, float] | None = None, resolution_s: int = 60
) -> list[tuple[int, int]]:
    """Runs over nine tenths: o is a window over it, ? one under it of which records are missing, . one under it."""
    count = len(pattern)
    case = bare(SITE, span=(0, count * window_s - 1), window=window, resolution_s=resolution_s)
    usage = Usage(ms(0), window_s * 1000, ("fibre",), *np.zeros((3, 1, 2, count)))
    share = np.array([0.95 if sign == "o" else 0.1 for sign in pattern])
    blind = np.array([sign == "?" for sign in pattern])
    return _Row(case, usage, 0, DOWN, share, np.zeros(count), blind, np.zeros(count)).runs(0.9)


@pytest.mark.parametrize(
    ("pattern", "resolution_s", "found"),
    [
        ("ooo", 60, [(0, 3)]),
        ("oo", 60, []),
        # A dip that a loss hides is bridged up to a record's length and two minutes.
        ("oo???oo", 60, [(0, 7)]),
        ("oo????oo", 60, []),
        ("oo????oo", 120, [(0, 8)]),
        ("oo..?oo", 60, []),
        # Half of it has to be seen over the threshold.
        ("oo???o??oo", 60, [(0, 10)]),
        ("oo???o???o", 60, []),
        (".ooo.", 60, [(1, 4)]),
        (".....", 60, []),
    ],
)
def test_minutes_over_the_threshold_and_what_losses_hide(
    pattern: str, resolution_s: int, found: list[tuple[int, int]]
) -> None:
    assert runs(pattern, resolution_s=resolution_s) == found


TEN = "." * 6


@pytest.mark.parametrize(
    ("pattern", "window_s", "window", "found"),
    [
        # A minute that is half of the two that are asked about.
        (TEN + "o" * 6 + TEN, 10, (60, 180), [(6, 12)]),
        (TEN + "o" * 5 + "." + TEN, 10, (60, 180), []),
        (TEN + "o" * 6 + TEN, 10, (60, 181), []),
        (TEN + "o" * 8 + TEN, 10, (60, 160), [(6, 14)]),
        # What adjoins it outside of the window belongs to it, but does not make it.
        ("..." + "o" * 10 + "...", 10, (60, 180), [(3, 13)]),
        ("o" * 12 + "......", 10, (70, 180), []),
        ("o" * 12 + "......", 10, (60, 180), [(0, 12)]),
        # Three minutes are sustained anyway, and told once.
        ("o" * 18 + TEN, 10, (0, 120), [(0, 18)]),
        ("o" * 18 + "." * 12 + "o" * 6, 10, (300, 360), [(0, 18), (30, 36)]),
        # Windows of more than twenty seconds show no minute well enough.
        ("..oo..", 30, (60, 120), []),
        ("...ooo...", 20, (60, 120), [(3, 6)]),
        ("o" * 6 + "." * 6, 30, (0, 120), [(0, 6)]),
    ],
)
def test_a_minute_of_short_windows_counts_where_it_is_half_of_the_time_asked_about(
    pattern: str, window_s: int, window: tuple[float, float], found: list[tuple[int, int]]
) -> None:
    assert runs(pattern, window_s, window=window) == found


@pytest.mark.parametrize(("begin", "lasts"), [(0, True), (0.001, False)])
def test_a_run_that_the_export_cuts_lasts_three_minutes_by_its_seconds(
    monkeypatch: pytest.MonkeyPatch, begin: float, lasts: bool
) -> None:
    case = bare(SITE, span=(0, 599))
    monkeypatch.setattr(episodes, "refined", lambda *of: [(ms(begin), ms(180))])
    row = _Row(case, case.usage, 0, DOWN, np.zeros(10), np.zeros(10), np.zeros(10, np.bool_), np.zeros(10))
    assert row._lasts((0, 3), 0.9) == lasts


@pytest.mark.parametrize(
    ("first", "last", "edges"),
    [
        (0, 600, (60, 300)),
        (90, 600, (90, 300)),
        (0, 290, (60, 290)),
        (400, 600, (300, 300)),
        (0, 30, (60, 60)),
    ],
)
def test_an_episode_reaches_as_far_as_the_export_does(
    monkeypatch: pytest.MonkeyPatch, first: float, last: float, edges: tuple[float, float]
) -> None:
    case = bare(SITE, span=(0, 599))
    case = replace(case, coverage=replace(case.coverage, first_ms=ms(first), last_ms=ms(last)))
    monkeypatch.setattr(episodes, "refined", lambda *of: [(ms(60), ms(300))])
    row = _Row(case, case.usage, 0, DOWN, np.zeros(10), np.zeros(10), np.zeros(10, np.bool_), np.zeros(10))
    assert row._edges([(1, 5)], 0.9) == [(ms(edges[0]), ms(edges[1]))]


def sampled(packets: float, sampling: float = 100.0) -> Case:
    """An hour of which six minutes are full of so many packets of 1000 octets each, at 100 Mbit/s."""
    book = Book()
    for minute in range(60):
        octets = 750_000_000 if minute < 6 else 7_500_000
        book.row(
            minute * MINUTE,
            minute * MINUTE + 59.999,
            way=DOWN,
            octets=octets,
            packets=packets * octets / 750_000_000,
        )
    case = book.case(SITE)
    return replace(case, coverage=replace(case.coverage, sampling=sampling))


@pytest.mark.parametrize(
    ("packets", "sampling", "error"),
    [
        (250_000, 100.0, 0.02),  # of 2,500 sampled ones
        (1_000_000, 100.0, 0.01),
        (50, 100.0, 1.0),  # none is seen for sure
        (250_000, 1.0, 0.0),
    ],
)
def test_the_error_of_a_full_minute_follows_from_its_sampled_packets(
    packets: float, sampling: float, error: float
) -> None:
    assert sampling_error(sampled(packets, sampling), 0, DOWN) == pytest.approx(error)


def test_where_nothing_was_carried_there_is_no_error() -> None:
    case = bare(SITE)
    silent: Any = replace(case.usage, wire_octets=np.zeros_like(case.usage.wire_octets))
    case = replace(case, usage=silent, coverage=replace(case.coverage, sampling=10.0))
    assert sampling_error(case, 0, DOWN) == 0.0
