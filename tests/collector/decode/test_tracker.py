"""One counter followed through a stream: gaps, late messages, restarts, strays, each at its bound. Units by hand."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.collector.decode.allowance import Allowance
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.sequence import BOOT_SLACK_MS, NEAR, Messages, Sequences, Tracker

WRAP = 1 << 32
HALF = 1 << 31
Message = tuple[int, int]  # first unit, units


class Stream:
    """Messages one after another, one each second; what the tracker makes of them."""

    def __init__(self, *, open_gaps: int = 99, gaps: int = 99, at_zero: bool = False) -> None:
        self.kept = Allowance(gaps)
        self.tracker = Tracker(Limits(open_gaps=open_gaps), self.kept)
        self._at_zero = at_zero
        self._second = 0

    def add(
        self, *messages: Message, slack: int = 0, boots: tuple[int, ...] = (), seconds: tuple[int, ...] = ()
    ) -> Stream:
        count = len(messages)
        times = seconds or tuple(range(self._second, self._second + count))
        self._second += count
        zeros = np.zeros(count, np.int64)
        first = np.array([start % WRAP for start, _ in messages], np.uint32)
        self.tracker.add(
            first,
            np.array([units for _, units in messages], np.int64),
            np.full(count, slack, np.int64),
            Messages(
                zeros,
                first,
                zeros,
                zeros,
                zeros,
                1000 * np.array(times, np.int64),
                np.array(boots or zeros, np.int64),
            ),
            restarts_at_zero=self._at_zero,
        )
        return self

    @property
    def gaps(self) -> list[Message]:
        return [(gap.start, gap.units) for gap in self.tracker.gaps]

    @property
    def restarts(self) -> int:
        return len(self.tracker.restarts)


def gaps(*messages: Message) -> list[Message]:
    return Stream().add(*messages).gaps


def test_numbers_that_follow_each_other_have_no_gaps_over_the_wrap_too() -> None:
    assert gaps((10, 5), (15, 0), (15, 2), (17, 1)) == []
    assert gaps((WRAP - 3, 5), (2, 1)) == []
    assert gaps((WRAP - 3, 3), (1, 1)) == [(0, 1)]
    assert gaps() == []


def test_a_gap_is_what_is_missing_between_two_messages() -> None:
    stream = Stream().add((10, 5), (18, 2), (20, 1), (25, 1))
    assert stream.gaps == [(15, 3), (21, 4)]
    assert [(gap.since_ms, gap.time_ms) for gap in stream.tracker.gaps] == [(0, 1000), (2000, 3000)]
    assert stream.add((30, 1)).gaps[-1] == (26, 4)
    assert stream.tracker.gaps[-1].since_ms == 3000
    assert stream.tracker.breaks == 3


@pytest.mark.parametrize(("jump", "believed"), [(NEAR - 1, True), (NEAR, False)])
def test_a_jump_is_believed_at_once_up_to_65535_units(jump: int, believed: bool) -> None:
    assert gaps((0, 10), (10 + jump, 1)) == ([(10, jump)] if believed else [])


def test_three_messages_in_a_row_confirm_a_larger_jump() -> None:
    far = 10 + NEAR
    assert gaps((0, 10), (far, 1), (far + 1, 1)) == []
    assert gaps((0, 10), (far, 1), (far + 1, 1), (far + 2, 1)) == [(10, NEAR)]
    assert gaps((0, 10), (far, 1), (far + 2, 1), (far + 3, 1)) == []  # they do not follow each other
    assert (
        gaps((0, 10), (far, 1), (10, 1), (far + 1, 1), (far + 2, 1)) == []
    )  # nor here: what was expected came
    # In pieces as well.
    assert Stream().add((0, 10), (far, 1)).add((far + 1, 1)).add((far + 2, 1)).gaps == [(10, NEAR)]


@pytest.mark.parametrize(("ahead", "missing"), [(HALF - 1, True), (HALF, False)])
def test_what_is_less_than_half_of_all_numbers_ahead_is_missing_and_more_a_restart(
    ahead: int, missing: bool
) -> None:
    stream = Stream().add((0, 10), *((10 + ahead + n, 1) for n in range(3)))
    assert (stream.gaps, stream.restarts) == (([(10, ahead)], 0) if missing else ([], 1))


# Late messages ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("late", "left"),
    [
        ((15, 10), []),
        ((15, 4), [(19, 6)]),
        ((20, 5), [(15, 5)]),
        ((18, 4), [(15, 3), (22, 3)]),
        ((24, 9), [(15, 9)]),  # longer than the gap: no more than the gap is filled
        ((14, 1), [(15, 10)]),  # a copy of what came
        ((25, 1), [(15, 10)]),
    ],
)
def test_a_late_message_fills_the_gap_it_belongs_to(late: Message, left: list[Message]) -> None:
    stream = Stream().add((0, 15), (25, 1), late, (26, 1))
    assert (stream.gaps, stream.restarts) == (left, 0)
    assert stream.kept.taken == len(left)


def test_a_gap_over_the_wrap_is_filled_over_it() -> None:
    stream = Stream().add((WRAP - 10, 5), (5, 1), (WRAP - 2, 4))
    assert stream.gaps == [(WRAP - 5, 3), (2, 3)]


@pytest.mark.parametrize(
    ("late", "seconds", "found"),
    [
        ((90, 10), (0, 1, 0), []),  # right before the first one seen
        ((80, 10), (0, 1, 0), [(90, 10)]),
        ((80, 10), (0, 1, 1), []),  # exported after it: no message from before
        ((100 - NEAR, 1), (0, 1, 0), [(101 - NEAR, NEAR - 1)]),
        ((99 - NEAR, 1), (0, 1, 0), []),
    ],
)
def test_a_late_message_from_before_the_first_one_begins_the_stream(
    late: Message, seconds: tuple[int, ...], found: list[Message]
) -> None:
    stream = Stream().add((100, 5), (105, 5), late, seconds=seconds)
    assert (stream.gaps, stream.restarts) == ([(start % WRAP, units) for start, units in found], 0)


# Restarts -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("boot", "restarts"), [(BOOT_SLACK_MS + 1, 1), (BOOT_SLACK_MS, 0)])
def test_a_later_start_of_the_exporter_is_a_restart(boot: int, restarts: int) -> None:
    stream = Stream().add((100, 5), (3, 1), (4, 1), boots=(0, boot, boot))
    assert stream.restarts == restarts
    if restarts:
        (told,) = stream.tracker.restarts
        assert (told.since_ms, told.time_ms, stream.gaps) == (0, 1000, [])
        assert (
            stream.add((2, 1), boots=(boot,), seconds=(0,)).gaps == []
        )  # what was before is of the old count


def test_numbers_that_begin_at_zero_are_a_restart_where_they_do() -> None:
    assert Stream(at_zero=True).add((100, 5), (0, 1)).restarts == 1
    assert Stream(at_zero=True).add((100, 5), (1, 1)).restarts == 0
    assert Stream(at_zero=False).add((100, 5), (0, 1)).restarts == 0
    # Zero ahead is the wrap and no restart.
    wrapped = Stream(at_zero=True).add((WRAP - 5, 3), (0, 1))
    assert (wrapped.restarts, wrapped.gaps) == (0, [(WRAP - 2, 2)])


def test_gaps_from_before_a_restart_wait_no_longer() -> None:
    stream = Stream(at_zero=True).add((100, 5), (110, 5), (0, 1))
    assert ([(gap.start, gap.units) for gap in stream.tracker.settled], stream.tracker.open) == (
        [(105, 5)],
        [],
    )


# What could not be counted ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("slack", "undecoded", "left"), [(0, 0, [(5, 4)]), (3, 3, [(8, 1)]), (4, 4, []), (9, 4, [])]
)
def test_units_that_could_not_be_counted_explain_a_gap_behind_them(
    slack: int, undecoded: int, left: list[Message]
) -> None:
    stream = Stream().add((0, 5), slack=slack).add((9, 1))
    assert (dict(stream.tracker.undecoded).get(0, 0), stream.gaps) == (undecoded, left)


# Bounds -------------------------------------------------------------------------------------------------------------


def test_the_oldest_of_too_many_open_gaps_wait_no_longer() -> None:
    stream = Stream(open_gaps=2).add((0, 1), (2, 1), (4, 1), (6, 1))
    assert [(gap.start, gap.units) for gap in stream.tracker.settled] == [(1, 1)]
    assert stream.gaps == [(1, 1), (3, 1), (5, 1)]
    assert stream.add((1, 1)).gaps == [(1, 1), (3, 1), (5, 1)]
    assert stream.add((3, 1)).gaps == [(1, 1), (5, 1)]


def test_gaps_beyond_the_allowance_are_added_up() -> None:
    stream = Stream(gaps=2).add((0, 1), (2, 1), (4, 1), (6, 1), (9, 1))
    # The first is the one that others are added to, beside two that late messages may fill.
    assert stream.gaps == [(1, 2), (5, 1), (7, 2)]
    assert stream.kept.taken == 3


def test_what_has_been_told_is_forgotten() -> None:
    stream = Stream(at_zero=True).add((100, 1), (0, 1)).add((3, 1), (6, 1))
    stream.tracker.forget(3000)
    assert (stream.gaps, stream.restarts, stream.kept.taken) == ([(4, 2)], 0, 1)
    stream.tracker.forget(3001)
    assert (stream.gaps, stream.kept.taken) == ([], 0)


# Many at once -------------------------------------------------------------------------------------------------------

MANY = [(2 * n, 1) for n in range(100)]
FAR = 1 << 24


@pytest.mark.parametrize(
    "behind",
    [
        [(FAR, 1), (FAR + 3, 1), (200, 1)],  # a stray, and one that seems to follow it
        [(FAR, 1), (FAR + 3, 1), (FAR + 6, 1), (FAR + 9, 1)],
        [(101, 1), (204, 1), (207, 1)],  # a late one, and two behind what is expected
        [(150, 1), (153, 1), (200, 1)],  # copies
        [(202, 3), (205, 1), (210, 1)],
    ],
)
@pytest.mark.parametrize("slack", [0, 1])
def test_many_gaps_in_one_stretch_are_those_of_one_message_after_another(
    behind: list[Message], slack: int
) -> None:
    messages = [*MANY, *behind, *((400 + 3 * n, 2) for n in range(80))]
    at_once, single = Stream().add(*messages, slack=slack), Stream()
    for message in messages:
        single.add(message, slack=slack)
    assert at_once.gaps == single.gaps
    assert at_once.tracker.expected == single.tracker.expected
    assert at_once.tracker.breaks == single.tracker.breaks
    assert dict(at_once.tracker.undecoded) == dict(single.tracker.undecoded)
    assert [gap.since_ms for gap in at_once.tracker.gaps] == [gap.since_ms for gap in single.tracker.gaps]


def test_a_reading_that_is_given_up_gives_its_gaps_back() -> None:
    """1,100 messages of five records each that count records: as messages four are missing before each."""
    kept = Allowance(1 << 17)
    sequences = Sequences(10, Limits(open_gaps=5000), kept)
    numbers = np.arange(1100)
    zeros = np.zeros(1100, np.int64)
    five = np.full(1100, 5, np.int64)
    sequences.add(Messages(zeros, (5 * numbers).astype(np.uint32), five, zeros, zeros, 1000 * numbers, zeros))
    reading, trackers = sequences.believed()
    assert reading.unit != "messages"
    assert [tracker.gaps for tracker in trackers] == [[]]
    assert kept.taken == 0
