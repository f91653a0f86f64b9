"""Working hours, in the site's own time."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.site.hours import MAX_TEXT, MINUTES_A_WEEK, parse_hours, utc_offsets

MON, TUE, SAT, SUN = 0, 1440, 5 * 1440, 6 * 1440


def minute(zone: str, *moment: int) -> int:
    """Minutes since 1970 UTC of a local year, month, day, hour, minute."""
    return int(datetime(*moment, tzinfo=ZoneInfo(zone)).timestamp() // 60)  # type: ignore[misc,arg-type]


def open_at(text: str, zone: str, *moment: int) -> bool:
    return bool(parse_hours(text).is_open(np.array([minute(zone, *moment)]), zone)[0])


def test_a_working_week() -> None:
    assert parse_hours("Mon-Fri 08:00-18:00").open_ranges == tuple(
        (day * 1440 + 480, day * 1440 + 1080) for day in range(5)
    )


@pytest.mark.parametrize("text", ["24/7", "Mon-Sun 00:00-24:00", "00:00-24:00", "daily 0-24", "Mon-Sun"])
def test_always(text: str) -> None:
    assert parse_hours(text).open_ranges == ((0, MINUTES_A_WEEK),)


@pytest.mark.parametrize(
    ("text", "ranges"),
    [
        ("Sat 9-12", ((SAT + 540, SAT + 720),)),
        ("Mon 08:00-12:00, 13:00-17:00", ((480, 720), (780, 1020))),
        ("Mon,Tue 09:00-10:00", ((540, 600), (TUE + 540, TUE + 600))),
        ("Mon 08:00-09:00; Sat 10:00-11:00", ((480, 540), (SAT + 600, SAT + 660))),
        ("Mon 22:00-06:00", ((1320, TUE + 360),)),
        ("Sun 22:00-06:00", ((0, 360), (SUN + 1320, MINUTES_A_WEEK))),
        ("Sat-Mon 10:00-11:00", ((600, 660), (SAT + 600, SAT + 660), (SUN + 600, SUN + 660))),
        ("monday 08:00-09:00, 08:30-10:00", ((480, 600),)),
        (
            "Wednesday–Thursday 1:00 – 2:00",
            ((2 * 1440 + 60, 2 * 1440 + 120), (3 * 1440 + 60, 3 * 1440 + 120)),
        ),
        ("Tue", ((TUE, 2 * 1440),)),
    ],
)
def test_other_ways_to_write_hours(text: str, ranges: tuple[tuple[int, int], ...]) -> None:
    assert parse_hours(text).open_ranges == ranges


@pytest.mark.parametrize(
    "text",
    [
        "",
        "Mon-Fri 8-25",
        "Mo 08:00-18:00",
        "08:00",
        "Mon 08:60-09:00",
        "Mon 24:00-08:00",
        "Mon,,Tue",
        "x" * 999,
    ],
)
def test_what_cannot_be_read_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        parse_hours(text)


def test_the_part_that_cannot_be_read_is_named() -> None:
    with pytest.raises(ValueError, match=r"'Fryday 9-12' cannot be read"):
        parse_hours("Mon 9-12, Fryday 9-12")


def test_opening_is_at_the_minute_and_closing_before_it() -> None:
    hours, zone = "Mon-Fri 08:00-18:00", "Pacific/Auckland"  # 2 March 2026 is a Monday
    assert not open_at(hours, zone, 2026, 3, 2, 7, 59)
    assert open_at(hours, zone, 2026, 3, 2, 8, 0)
    assert open_at(hours, zone, 2026, 3, 2, 17, 59)
    assert not open_at(hours, zone, 2026, 3, 2, 18, 0)
    assert not open_at(hours, zone, 2026, 3, 1, 12, 0)  # Sunday


def test_nights_are_named_by_the_day_they_begin_on() -> None:
    nights, zone = "Mon-Fri 18:00-08:00", "Pacific/Auckland"  # 2 March 2026 is a Monday, 7 March a Saturday
    assert not open_at(nights, zone, 2026, 3, 2, 7, 59)  # Sunday's night is none of them
    assert not open_at(nights, zone, 2026, 3, 2, 12, 0)
    assert open_at(nights, zone, 2026, 3, 2, 18, 0)
    assert open_at(nights, zone, 2026, 3, 3, 7, 59)
    assert not open_at(nights, zone, 2026, 3, 3, 8, 0)
    assert open_at(nights, zone, 2026, 3, 7, 7, 59)  # Friday's night
    assert not open_at(nights, zone, 2026, 3, 7, 8, 0)
    assert not open_at(nights, zone, 2026, 3, 7, 20, 0)
    # Five nights of 14 hours.
    assert sum(end - begin for begin, end in parse_hours(nights).open_ranges) == 5 * 14 * 60


def test_hours_follow_the_change_of_clocks() -> None:
    """Berlin went from UTC+1 to UTC+2 on 29 March 2026 (EU directive 2000/84/EC)."""
    for day, utc_hour in ((27, 7), (30, 6)):
        first = minute("UTC", 2026, 3, day, utc_hour, 0)
        opened = parse_hours("Mon-Fri 08:00-18:00").is_open(np.array([first - 1, first]), "Europe/Berlin")
        assert opened.tolist() == [False, True]


def test_zones_off_the_hour() -> None:
    minutes = np.array([[minute("UTC", 2026, 3, 2, 0, 0)], [minute("UTC", 2026, 3, 2, 0, 7)]])
    assert utc_offsets(minutes, "Asia/Kathmandu").tolist() == [[345], [345]]  # UTC+5:45


@given(st.integers(0, 2**31 // 60), st.sampled_from(["Pacific/Auckland", "America/St_Johns", "UTC"]))
def test_a_minute_is_open_when_its_local_clock_says_so(epoch_minute: int, zone: str) -> None:
    local = datetime.fromtimestamp(epoch_minute * 60, ZoneInfo(zone))
    expected = local.weekday() < 5 and 8 <= local.hour < 18
    opened = parse_hours("Mon-Fri 08:00-18:00").is_open(np.array([epoch_minute]), zone)
    assert opened.tolist() == [expected]


@given(st.text(max_size=MAX_TEXT))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        ranges = parse_hours(text).open_ranges
    except ValueError:
        return
    assert all(0 <= begin < end <= MINUTES_A_WEEK for begin, end in ranges)
    assert all(left[1] < right[0] for left, right in pairwise(ranges))


@pytest.mark.parametrize(
    ("text", "ranges"),
    [
        ("Mon 08:00-18:00", ((540, 1020),)),
        ("Mon 08:00-10:00", ()),
        ("24/7", ((0, 10_080),)),
        ("Sun 18:00-06:00", ((0, 300), (6 * 1440 + 19 * 60, 10_080))),  # a night that ends on Monday
        ("Mon 00:00-06:00", ((60, 300),)),
    ],
)
def test_the_inner_hours_leave_out_begin_and_end_of_work(
    text: str, ranges: tuple[tuple[int, int], ...]
) -> None:
    assert parse_hours(text).inner(60).open_ranges == ranges
