"""Forms of time at their bounds, each function by itself; milliseconds and microseconds worked out by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from flowdiag.collector.decode.times import (
    BACKWARDS,
    CLOCK_SLACK_MS,
    FUTURE,
    MAX_AGE_MS,
    MAX_REACH_MS,
    NTP_TO_UNIX_S,
    STALE,
    Known,
    MessageTimes,
    _all_sound,
    _believable,
    _clipped,
    _delta_microseconds,
    _either,
    _rounded,
    _seconds,
    _uptime,
    ntp_microseconds,
    ntp_nanoseconds,
)

NOW_S = 1_700_000_000
NOW = NOW_S * 1000
DAY = 86_400_000
SET: Any = np.array


def times(*ms: int, known: list[bool] | None = None) -> Known:
    return Known(np.array(ms, np.int64), None if known is None else np.array(known))


def at(*export_ms: int, uptime_ms: list[int] | None = None, init_ms: int | None = None) -> MessageTimes:
    """Messages of one record each."""
    uptimes = None if uptime_ms is None else np.array(uptime_ms, np.uint32)
    return MessageTimes(np.array(export_ms, np.int64), uptimes, np.ones(len(export_ms), np.int64), init_ms)


def test_bounds_of_belief_are_a_minute_a_day_and_a_week() -> None:
    assert (CLOCK_SLACK_MS, MAX_AGE_MS, MAX_REACH_MS) == (60_000, DAY, 7 * DAY)


def test_microseconds_are_rounded_to_the_nearest_millisecond() -> None:
    assert _rounded(SET([0, 499, 500, 999, 1000, 1499, 1500])).tolist() == [0, 0, 1, 1, 1, 1, 2]


def test_times_beyond_any_calendar_stay_beyond_and_do_not_wrap() -> None:
    assert _clipped(SET([5, 2**61 - 1, 2**61, 2**64 - 1], np.uint64)).tolist() == [5, 2**61 - 1, 2**61, 2**61]
    assert _clipped(SET([7, 2**61 - 1], np.uint64)).tolist() == [7, 2**61 - 1]
    assert _clipped(SET([], np.uint64)).tolist() == []
    assert _clipped(SET([2**32 - 1], np.uint32)).tolist() == [2**32 - 1]
    assert _seconds(SET([3, 2**64 - 1], np.uint64), at(NOW)).tolist() == [3000, 1000 << 50]
    assert _delta_microseconds(SET([1499, 1500, 2**64 - 1], np.uint64), at(NOW, NOW, NOW)).tolist() == [
        NOW - 1, NOW - 1, (NOW * 1000 - (1 << 50) + 500) // 1000
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("start", "end", "sound"),
    [
        (NOW - 5, NOW - 5, True),
        (NOW - 4, NOW - 5, False),
        (NOW, NOW + 60_000, True),
        (NOW, NOW + 60_001, False),
        (NOW - DAY, NOW - DAY, True),
        (NOW - DAY - 1, NOW - DAY - 1, False),
        (NOW - 7 * DAY, NOW, True),
        (NOW - 7 * DAY - 1, NOW, False),
    ],
)
def test_the_short_look_at_times_finds_what_the_long_one_does(start: int, end: int, sound: bool) -> None:
    for count in (1, 2):  # all records are alike
        one, other = times(*[start] * count), times(*[end] * count)
        messages = at(*[NOW] * count)
        assert _all_sound(one, other, messages) == sound
        found = _believable(one, other, messages)
        assert (not found.faults) == sound
        known = found.end.known if found.end is not None else None
        assert (known is None) == sound
        assert known is None or not known.any()


def test_the_short_look_needs_all_times_and_goes_by_the_messages_farthest_apart() -> None:
    sound = times(NOW - 5)
    assert not _all_sound(None, sound, at(NOW))
    assert not _all_sound(sound, None, at(NOW))
    assert not _all_sound(times(NOW, known=[True]), sound, at(NOW))
    assert not _all_sound(sound, times(NOW, known=[True]), at(NOW))
    assert _all_sound(times(), times(), at())
    # The first message allows no end a minute and more behind it, the last none a day and more before it.
    assert not _all_sound(times(NOW), times(NOW + 60_001), at(NOW, NOW + 1000))
    assert not _all_sound(times(NOW - DAY), times(NOW - DAY), at(NOW - 1000, NOW + 1))


def test_each_impossible_record_is_counted_once_by_its_first_fault_with_its_place() -> None:
    start = times(NOW, NOW, NOW - 8 * DAY, NOW, NOW - 8 * DAY)
    end = times(NOW - 1, NOW + 60_001, NOW - 8 * DAY, NOW, NOW - 8 * DAY - 1)
    found = _believable(start, end, at(*[NOW] * 5))
    assert found.faults == {BACKWARDS: (2, 0), FUTURE: (1, 1), STALE: (1, 2)}
    assert found.start is not None
    assert found.start.known is not None
    assert found.start.known.tolist() == [False, False, False, True, False]
    # Where the end is not known the start tells; where that is not known either nothing can be wrong.
    alone = _believable(
        times(NOW + 60_001, NOW - DAY - 1, NOW - 9 * DAY, known=[True, True, False]), None, at(NOW, NOW, NOW)
    )
    assert alone.faults == {FUTURE: (1, 0), STALE: (1, 1)}
    unknown = _believable(times(NOW, known=[False]), times(NOW - 1, known=[True]), at(NOW))
    assert unknown.faults == {}
    unknown = _believable(times(NOW, known=[True]), times(NOW - 1, known=[False]), at(NOW))
    assert unknown.faults == {}


def test_the_other_times_count_where_these_are_not_known() -> None:
    first, second = times(1, 2, known=[True, False]), times(10, 20)
    assert _either(first, None) is first
    assert _either(None, second) is second
    found = _either(first, second)
    assert found is not None
    assert (found.ms.tolist(), found.known) == ([1, 20], None)
    assert _either(second, first) is second
    both = first.or_else(times(10, 20, known=[False, False]))
    assert both.known is not None
    assert both.known.tolist() == [True, False]


# NTP times (RFC 7011 6.1.9) -----------------------------------------------------------------------------------------


def ntp(unix_s: int, fraction: int) -> np.ndarray[Any, np.dtype[np.uint64]]:
    return np.array([((unix_s + NTP_TO_UNIX_S) % 2**32) << 32 | fraction], np.uint64)


@pytest.mark.parametrize(
    ("fraction", "micro", "nano"),
    [
        (0, 0, 0),
        (1 << 31, 500_000, 500_000),
        (2147, 0, 0),  # 2^32 fractions are a second: 2147.5 are half a microsecond
        (2148, 0, 1),  # of which the low eleven bits do not count in microseconds: 2048 is less than a half
        (4096, 1, 1),
        (
            0xFFFF_F7FF,
            999_999,
            1_000_000,
        ),  # 4,294,965,248 / 4,294.97 is 999,999.52, and 4,294,963,200 999,999.05
    ],
)
def test_fractions_of_a_second_are_rounded_to_the_nearest_microsecond(
    fraction: int, micro: int, nano: int
) -> None:
    assert ntp_microseconds(ntp(NOW_S, fraction), at(NOW)).tolist() == [NOW_S * 1_000_000 + micro]
    assert ntp_nanoseconds(ntp(NOW_S, fraction), at(NOW)).tolist() == [NOW_S * 1_000_000 + nano]


def test_an_ntp_time_is_of_the_era_nearest_to_its_export() -> None:
    """NTP seconds begin anew in 2036: 2,085,978,496 s after 1970 (RFC 5905 6)."""
    begins = 2**32 - NTP_TO_UNIX_S
    assert begins == 2_085_978_496
    for export_s, time_s in ((begins - 10, begins + 5), (begins + 10, begins - 5), (NOW_S, NOW_S)):
        assert ntp_nanoseconds(ntp(time_s, 0), at(export_s * 1000)).tolist() == [time_s * 1_000_000]
    # Half an era off, it is the one before; a second less, the one of the export's time.
    half = 1 << 31
    assert ntp_nanoseconds(ntp(NOW_S + half, 0), at(NOW)).tolist() == [(NOW_S + half) * 1_000_000]
    assert ntp_nanoseconds(ntp(NOW_S + half + 1, 0), at(NOW)).tolist() == [(NOW_S - half + 1) * 1_000_000]


# Uptimes ------------------------------------------------------------------------------------------------------------


def test_an_uptime_is_as_old_as_it_is_behind_the_headers_over_the_wrap_too() -> None:
    """RFC 3954 5.1, 8: 32 bits of milliseconds; up to 2^31 behind, and up to 2^31 - 1 ahead."""
    for header, value, age in (
        (5000, 2000, 3000), (2000, 2**32 - 1000, 3000), (2000, 2500, -500), (0, 2**31 + 1, 2**31 - 1), (0, 2**31, -(2**31)),
    ):  # fmt: skip
        assert _uptime(SET([value], np.uint32), at(NOW, uptime_ms=[header])).tolist() == [NOW - age]  # type: ignore[union-attr]


def test_an_uptime_in_ipfix_counts_from_the_start_told_in_the_wrap_nearest_to_the_export() -> None:
    wrap = 2**32
    assert _uptime(SET([5], np.uint32), at(NOW)) is None
    for init, value, expected in (
        (NOW - 10_000, 4000, NOW - 6000),
        (NOW - wrap - 10_000, 4000, NOW - 6000),  # 49.7 days on
        (NOW - wrap // 2, 0, NOW - wrap // 2 + wrap),  # half a wrap before it: the later one
        (NOW - wrap // 2 + 1, 0, NOW - wrap // 2 + 1),
        (NOW + wrap, 0, NOW + wrap),  # never before the start
    ):
        assert _uptime(SET([value], np.uint32), at(NOW, init_ms=init)).tolist() == [expected]  # type: ignore[union-attr]
