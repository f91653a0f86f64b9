"""Silences, outages and times cut off: their own functions at their bounds."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.findings import outage
from flowdiag.diagnoser.signals import (
    cut_off,
    outages,
    short_outages,
    silences,
)
from flowdiag.diagnoser.signals.cut_off import STEP_MS, Outage, Scene
from flowdiag.diagnoser.signals.quiet_times import QuietTime
from flowdiag.diagnoser.signals.timeline import Grid
from flowdiag.durations import MINUTE_MS
from flowdiag.site.hours import parse_hours
from tests.diagnoser.building import ICMP, Book, bare, ms, profile

HOUR = 3600
SITE = profile(backup=False)


# Times cut off ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "after", "edge"),
    [
        ([85, 89], [121, 128], (89, 121)),
        ([], [], (90, 120)),
        ([79.999], [130], (90, 120)),  # more than a step away
        ([80], [129.999], (80, 129.999)),
        ([90], [119.999], (90, 120)),
    ],
)
def test_a_silence_lasts_from_the_last_record_before_to_the_first_after(
    monkeypatch: pytest.MonkeyPatch, before: list[float], after: list[float], edge: tuple[float, float]
) -> None:
    book = Book()
    for end in before:
        book.row(end - 1, end, way=DOWN, octets=100)
    for start in after:
        book.row(start, start + 1, way=DOWN, octets=100)
    book.row(100, 101, way=UP, octets=100)
    case = book.case(SITE, span=(0, 300))
    came = case.flows.direction == DOWN
    scene = Scene(
        Grid(case.usage.start_ms, STEP_MS, 30), np.zeros(30, np.bool_), np.zeros(30, np.bool_), came
    )
    monkeypatch.setattr(cut_off, "scene", lambda case: scene)
    assert cut_off.silence_edges(case, 9, 12) == (ms(edge[0]), ms(edge[1]))


@pytest.mark.parametrize(
    ("others", "attempts"),
    [
        ([39.999], 0),  # a place that is tried in vain at other times too
        ([40], 1),  # within a minute of the dead time
        ([189.999], 1),
        ([190], 0),
        ([300], 0),
    ],
)
def test_places_tried_in_vain_at_other_times_prove_nothing(
    monkeypatch: pytest.MonkeyPatch, others: list[float], attempts: int
) -> None:
    book = Book()
    for start in (105, *others):
        book.row(start, start, way=UP, octets=60, outside="198.51.100.7")
    book.row(0, 1, way=DOWN, octets=60)
    case = book.case(SITE, span=(0, 400))
    scene = Scene(
        Grid(case.usage.start_ms, STEP_MS, 42),
        np.zeros(42, np.bool_),
        np.zeros(42, np.bool_),
        np.zeros(3, np.bool_),
    )
    monkeypatch.setattr(cut_off, "scene", lambda case: scene)
    assert len(cut_off.attempts_in(case, [(ms(100), ms(120))])) == attempts


# Silences and outages -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "after", "length", "gap"),
    [
        ([1] * 120, [1] * 120, 3, True),
        ([1] * 120, [1] * 120, 2, False),
        # In nine of ten minutes heard on the quieter side: 0.1^4.
        ([1] * 120, [1] * 9 + [0], 4, False),  # 9 of 10.5
        ([1] * 120, [1] * 9 + [0], 5, True),
        ([1] * 120, ([1] * 9 + [0]) * 12, 4, False),  # 108 of 120.5: 0.1037^4 = 0.000116
        ([1] * 120, ([1] * 9 + [0]) * 12 + [0] * 500, 5, True),
        (None, [1] * 120, 3, True),
        ([1] * 120, None, 3, True),
        ([0] * 500 + [1] * 120, None, 3, True),
        ([0] + [1] * 4, None, 3, False),
    ],
)
def test_a_silence_is_a_gap_where_the_habit_makes_it_unlikely(
    before: list[int] | None, after: list[int] | None, length: int, gap: bool
) -> None:
    sides = [None if side is None else np.array(side, np.bool_) for side in (before, after)]
    assert silences._is_gap(sides[0], sides[1], length) == gap


@pytest.mark.parametrize(
    ("first", "last", "heard", "span"),
    [
        (10, 1000, [(0, 1700)], (10, 1680)),  # the last window that was heard begins at 1680
        (10, 3000, [(0, 1700)], (10, 3000)),
        (None, None, [(0, 119)], (0, 60)),
        (None, 500, [(0, 119)], (0, 500)),
    ],
)
def test_an_exporter_lived_from_its_first_sign_to_its_last(
    first: float | None, last: float | None, heard: list[tuple[float, float]], span: tuple[float, float]
) -> None:
    case = bare(heard=heard)
    told = {key: None if at is None else ms(at) for key, at in (("first_ms", first), ("last_ms", last))}
    case = replace(case, coverage=replace(case.coverage, **told))
    assert outages._span(case) == (ms(span[0]), ms(span[1]))


@pytest.mark.parametrize(
    ("heard", "start", "end", "parts"),
    [
        ([(0, HOUR)], 600, 1200, [(600, 1200)]),
        ([(0, HOUR)], 610, 1190, [(610, 1190)]),
        ([(0, HOUR)], 600, 779, []),  # three minutes
        ([(0, HOUR)], 600, 780, [(600, 780)]),
        # Heard in one minute of it, or in two that the time only touches: no sign of life within it.
        ([(900, 950)], 600, 1200, []),
        ([(600, 650), (1140, 1199)], 590, 1190, []),
        ([(600, 650), (660, 700), (1140, 1199)], 600, 1190, []),
        # Six of ten minutes between two signs are bridged, and more are not.
        ([(600, 640), (660, 700), (1020, 1199)], 600, 1200, [(600, 1200)]),
        ([(600, 640), (660, 700), (1080, 1199)], 600, 1200, []),
    ],
)
def test_the_parts_of_a_dead_time_that_the_exporter_lived_through(
    heard: list[tuple[float, float]], start: float, end: float, parts: list[tuple[float, float]]
) -> None:
    found = outages._heard_parts(bare(heard=heard), ms(start), ms(end), 3 * MINUTE_MS)
    assert found == [(ms(a), ms(b)) for a, b in parts]


def scene_of(case: Case, bins: list[int]) -> Scene:
    """What is seen where something was carried in these steps of ten seconds."""
    nothing = np.zeros(len(case.flows), np.bool_)
    return Scene(
        Grid(case.usage.start_ms, STEP_MS, len(bins)),
        np.array(bins, np.bool_),
        np.array(bins, np.bool_),
        nothing,
    )


@pytest.mark.parametrize(
    ("bins", "start", "end", "part"),
    [
        ([1] * 60, 0, 600, 1.0),
        ([1] + [0] * 5 + [0] * 6 + [1] * 48, 0, 600, 0.9),  # one of ten minutes has nothing at all
        ([1] * 60, 0, 299, 0.0),  # five minutes are the least
        ([1] * 60, 0, 300, 1.0),
        ([1] * 60, -600, 300, 1.0),
        ([0] * 30 + [1] * 30, 300, 900, 1.0),
        ([0] * 30 + [1] * 30, 0, 359, 0.0),  # minutes that are whole
        ([0] * 30 + [1] * 30, 0, 360, 1 / 6),
    ],
)
def test_the_part_of_the_minutes_in_which_something_flowed(
    monkeypatch: pytest.MonkeyPatch, bins: list[int], start: float, end: float, part: float
) -> None:
    case = bare(span=(0, 10 * len(bins)))
    monkeypatch.setattr(outages, "scene", lambda case: scene_of(case, bins))
    assert outages._flowing(case, ms(start), ms(end)) == pytest.approx(part)


@pytest.mark.parametrize(
    ("around", "bins", "others", "chance"),
    [
        ([1] * 60, 20, [], False),
        ([1] * 59, 20, [], True),  # ten minutes on a side are the least
        ([1, 1, 1, 0] * 15, 10, [], False),  # 0.25^10 = 0.00000095
        ([1, 1, 1, 0] * 15, 9, [], True),
        ([1] * 60, 20, [99], False),
        ([1] * 60, 20, [100], True),  # another silence half as long
        ([1, 0] * 180 + [1] * 60, 20, [], False),
        ([0] * 60 + [1] * 360, 5, [], False),  # only an hour around is looked at
    ],
)
def test_a_silence_may_be_the_sites_habit(
    monkeypatch: pytest.MonkeyPatch, around: list[int], bins: int, others: list[float], chance: bool
) -> None:
    """The same on both sides, mirrored."""
    bins_all = [*around, *[0] * bins, 0, *around[::-1]]
    case = bare(span=(0, 10 * len(bins_all)))
    monkeypatch.setattr(outages, "scene", lambda case: scene_of(case, bins_all))
    start, end = ms(10 * len(around)), ms(10 * (len(around) + bins))
    dead = SimpleNamespace(spans=((start, end), *((0, round(1000 * length)) for length in others)))
    monkeypatch.setattr(outages, "dead_times", lambda case: dead)
    assert outages._may_be_chance(case, start, end) == chance


@pytest.mark.parametrize(
    ("start", "end", "inside"),
    [
        (0, 600, True),
        (-120, 480, True),
        (-121, 480, False),
        (-60, -1, False),
        (0, 1, True),
        (-600, -599, False),
    ],
)
def test_four_fifths_of_the_minutes_are_in_the_hours(start: float, end: float, inside: bool) -> None:
    hours = parse_hours("Mon 10:00-17:00")
    assert outages._in_hours(bare(), hours, ms(start), ms(end)) == inside


@pytest.mark.parametrize(
    ("way", "link", "start", "end", "answered"),
    [
        (DOWN, "lte", 100, 200, True),
        (DOWN, "lte", 99.999, 200, False),
        (DOWN, "lte", 100, 200.001, False),
        (UP, "lte", 100, 200, False),
        (DOWN, None, 100, 200, False),
        (DOWN, "fibre", 100, 200, True),
    ],
)
def test_a_keepalive_is_answered_within_an_outage(
    monkeypatch: pytest.MonkeyPatch, way: int, link: str | None, start: float, end: float, answered: bool
) -> None:
    book = Book()
    book.row(0, 1, way=DOWN, octets=1000)
    book.row(start, end, way=way, octets=84, link=link, protocol=ICMP)
    case = book.case(span=(0, HOUR))
    if link is None:
        case = replace(case, flows=replace(case.flows, direction=np.array([DOWN, DOWN], np.int8)))
    monkeypatch.setattr(outage, "keepalive_rows", lambda case: np.array([1]))
    dead = Outage(ms(100), ms(200), 0, 0, "abrupt", False)
    assert outage._keepalives_answered(case, dead) == answered


@pytest.mark.parametrize(
    ("start", "end", "explains"),
    [
        (0, 60, True),
        (0, 59.999, False),
        (585, 610, True),
        (580, 600, False),
        (580, 630, True),
        (570, 609.9, False),
    ],
)
def test_a_minute_or_half_of_the_time_asked_about_explains_a_complaint(
    start: float, end: float, explains: bool
) -> None:
    case = bare(window=(600, 620))
    assert short_outages._explains(case, QuietTime(ms(start), ms(end), 0.0)) == explains


@pytest.mark.parametrize(
    ("start", "end", "near"),
    [
        (0, 540, False),
        (0, 540.001, True),
        (660, 700, False),
        (659.999, 700, True),
        (800, 840, False),
        (960, 970, False),
    ],
)
def test_a_silence_within_a_minute_of_a_switch_is_the_switch(
    monkeypatch: pytest.MonkeyPatch, start: float, end: float, near: bool
) -> None:
    stay = SimpleNamespace(start_ms=ms(600), end_ms=ms(900))
    monkeypatch.setattr(short_outages, "failovers", lambda case: SimpleNamespace(episodes=[stay]))
    assert short_outages._at_a_switch(bare(), QuietTime(ms(start), ms(end), 0.0)) == near


@pytest.mark.parametrize(
    ("start", "end", "answers"),
    [(0, 99.999, True), (0, 100, False), (200, 300, False), (200.001, 300, True), (120, 130, False)],
)
def test_who_sends_outside_of_a_silence_answers(start: float, end: float, answers: bool) -> None:
    book = Book()
    book.row(start, end, way=DOWN, octets=100)
    book.row(0, 1, way=UP, octets=100, outside="203.0.113.77")
    case = book.case(SITE, span=(0, HOUR))
    found = short_outages._answering(case, [(ms(100), ms(200))])
    assert found.tolist() == [False, answers, False]
