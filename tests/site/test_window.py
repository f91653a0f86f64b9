"""--from and --to as people write them."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.errors import UsageError
from flowdiag.site.window import dated, resolve_window

AUCKLAND = "Pacific/Auckland"  # UTC+13 on 2 March 2026


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


FIRST, LAST = ms("2026-03-02T01:00"), ms("2026-03-02T05:00")  # 14:00 to 18:00 in Auckland


def window(begin: str | None, end: str | None, zone: str = AUCKLAND) -> tuple[int, int]:
    return resolve_window(begin, end, zone, FIRST, LAST)


def test_all_of_the_export_by_default() -> None:
    assert window(None, None) == (FIRST, LAST)


def test_clock_times_are_the_sites() -> None:
    assert window("14:30", "15:00") == (ms("2026-03-02T01:30"), ms("2026-03-02T02:00"))
    assert window("9:05:30", None) == (ms("2026-03-01T20:05:30"), LAST)
    assert window(None, "24:00") == (FIRST, ms("2026-03-02T11:00"))


def test_iso_times_without_offset_are_the_sites() -> None:
    assert window("2026-03-02T14:30", "2026-03-02 15:00") == (ms("2026-03-02T01:30"), ms("2026-03-02T02:00"))


def test_iso_times_with_an_offset_are_taken_at_their_word() -> None:
    assert window("2026-03-02T01:00Z", "2026-03-02T03:00+01:00") == (
        ms("2026-03-02T01:00"),
        ms("2026-03-02T02:00"),
    )


def test_a_clock_time_takes_the_date_of_the_other_end() -> None:
    assert window("2026-02-28T10:00", "11:00") == (ms("2026-02-27T21:00"), ms("2026-02-27T22:00"))
    assert window("10:00", "2026-02-27T22:00Z") == (ms("2026-02-27T21:00"), ms("2026-02-27T22:00"))


def test_a_clock_time_of_an_export_of_several_days_is_the_last_one_not_after_its_end() -> None:
    days = ms("2026-03-02T10:00"), ms("2026-03-05T14:30")
    assert resolve_window("14:00", None, "UTC", *days)[0] == ms("2026-03-05T14:00")
    assert resolve_window("2pm", "3pm", "UTC", *days) == (ms("2026-03-05T14:00"), ms("2026-03-05T15:00"))
    assert resolve_window("15:00", "16:00", "UTC", *days) == (ms("2026-03-04T15:00"), ms("2026-03-04T16:00"))
    assert resolve_window(None, "15:00", "UTC", *days)[1] == ms("2026-03-04T15:00")


def test_a_night_is_meant_over_midnight_and_half_a_day_or_more_is_not() -> None:
    days = ms("2026-03-02T10:00"), ms("2026-03-05T14:30")
    night = ms("2026-03-04T23:00"), ms("2026-03-05T01:00")
    assert resolve_window("23:00", "1am", "UTC", *days) == night
    assert resolve_window("2026-03-04T23:00", "01:00", "UTC", *days) == night
    assert resolve_window("23:00", "2026-03-05T01:00", "UTC", *days) == night
    with pytest.raises(UsageError, match=r"begins at 2026-03-05T13:00.* and ends at 2026-03-05T12:59"):
        resolve_window("13:00", "12:59", "UTC", *days)


def test_days_count_back_from_the_end_of_the_export() -> None:
    """5 March 2026 was a Thursday."""
    days = ms("2026-02-02T10:00"), ms("2026-03-05T14:30")
    for begin, end, expected in (
        ("today", "now", ("2026-03-05T00:00", "2026-03-05T14:30")),
        ("yesterday 14:00", "15:00", ("2026-03-04T14:00", "2026-03-04T15:00")),
        ("yesterday", "today", ("2026-03-04T00:00", "2026-03-05T00:00")),
        ("thursday 14:00", "thursday 15:00", ("2026-03-05T14:00", "2026-03-05T15:00")),
        ("thursday 3pm", "thursday 4pm", ("2026-02-26T15:00", "2026-02-26T16:00")),
        ("last thursday 14:00", "15:00", ("2026-02-26T14:00", "2026-02-26T15:00")),
        ("friday 9am", "10am", ("2026-02-27T09:00", "2026-02-27T10:00")),
        ("friday", "monday", ("2026-02-27T00:00", "2026-03-02T00:00")),
        ("monday 9am", "last tuesday", ("2026-03-02T09:00", "2026-03-03T00:00")),
        ("2 march 9am", "10am", ("2026-03-02T09:00", "2026-03-02T10:00")),
        ("sat 28 feb 15:00", "1 march", ("2026-02-28T15:00", "2026-03-01T00:00")),
        ("5 march 2pm", "now", ("2026-03-05T14:00", "2026-03-05T14:30")),
        ("6 march", "7 march", ("2025-03-06T00:00", "2025-03-07T00:00")),
        ("29 feb 2pm", "3pm", ("2024-02-29T14:00", "2024-02-29T15:00")),
        ("last hour", "now", ("2026-03-05T13:30", "2026-03-05T14:30")),
        ("-2h", "-90m", ("2026-03-05T12:30", "2026-03-05T13:00")),
        ("14:00", "now", ("2026-03-05T14:00", "2026-03-05T14:30")),
        ("2026-03-01", "-2d", ("2026-03-01T00:00", "2026-03-03T14:30")),
    ):
        assert resolve_window(begin, end, "UTC", *days) == (ms(expected[0]), ms(expected[1])), (begin, end)


def test_an_export_that_ends_at_midnight_ends_on_the_day_before() -> None:
    days = ms("2026-03-02T00:00"), ms("2026-03-05T00:00")
    assert resolve_window("yesterday", "today", "UTC", *days) == (
        ms("2026-03-03T00:00"),
        ms("2026-03-04T00:00"),
    )


def test_words_about_the_end_need_an_export_that_has_one() -> None:
    for words in ("-2h", "yesterday 14:00", "tuesday"):
        with pytest.raises(UsageError, match="needs a date, since the export has no times"):
            resolve_window(words, None, "UTC", None, None)


def test_ends_with_dates_mean_the_same_wherever_they_are_read() -> None:
    days = ms("2026-10-20T10:00"), ms("2026-10-25T12:00")
    for begin, end in (
        ("-2h", "-1h"),
        ("02:30", "02:30"),
        ("yesterday 2pm", None),
        (None, None),
        ("2026-10-24", "3am"),
    ):
        window = resolve_window(begin, end, "Europe/Berlin", *days)
        told = dated(begin, end, "Europe/Berlin", *days)
        assert [text is None for text in told] == [begin is None, end is None]
        assert resolve_window(*told, "UTC", *days) == window


def test_midnight_at_the_end_of_the_export_is_no_second_day() -> None:
    assert resolve_window("23:00", "24:00", "UTC", ms("2026-03-02T10:00"), ms("2026-03-03T00:00")) == (
        ms("2026-03-02T23:00"),
        ms("2026-03-03T00:00"),
    )


@pytest.mark.parametrize(
    ("begin", "end"), [("15:00", "14:00"), ("14:00", "14:00"), ("2026-03-03", "2026-03-02")]
)
def test_a_window_that_ends_before_it_begins_is_wrong_usage(begin: str, end: str) -> None:
    with pytest.raises(UsageError, match="expected --to after --from"):
        window(begin, end)


@pytest.mark.parametrize("option", ["--from", "--to"])
def test_what_is_no_time_is_wrong_usage(option: str) -> None:
    with pytest.raises(UsageError, match=rf"{option}: 'noon' is not a time; expected"):
        window(*(("noon", None) if option == "--from" else (None, "noon")))


def test_one_end_outside_the_export_gives_a_window_outside_it() -> None:
    later = ms("2026-03-05T00:00")
    assert window("2026-03-05T00:00Z", None) == (later, later + 60_000)
    earlier = ms("2026-02-05T00:00")
    assert window(None, "2026-02-05T00:00Z") == (earlier - 60_000, earlier)


def test_an_export_without_times_has_some_window() -> None:
    begin, end = resolve_window(None, None, "UTC", None, None)
    assert begin < end
    with pytest.raises(UsageError, match="needs a date, since the export has no times"):
        resolve_window("14:00", None, "UTC", None, None)
    assert resolve_window(None, None, "UTC", 7, 7) == (7, 8)


def test_an_hour_that_comes_twice_is_taken_whole() -> None:
    """Berlin put its clocks back from 03:00 to 02:00 on 25 October 2026: 02:30 is 00:30Z and again 01:30Z."""
    day = ms("2026-10-25T00:00"), ms("2026-10-25T12:00")
    assert resolve_window("02:30", None, "Europe/Berlin", *day)[0] == ms("2026-10-25T00:30")
    assert resolve_window(None, "02:30", "Europe/Berlin", *day)[1] == ms("2026-10-25T01:30")


def test_a_time_that_a_change_of_the_clock_left_out_is_told() -> None:
    """Berlin put its clocks forward from 02:00 to 03:00 on 29 March 2026."""
    day = ms("2026-03-28T00:00"), ms("2026-03-29T12:00")
    expected = (
        "--from: on 2026-03-29 there was no 02:30 in Europe/Berlin, since the clocks were put forward; expected a time that "
        'they showed, such as "2026-03-29T03:30"'
    )
    for text in ("02:30", "2026-03-29T02:30", "sunday 2:30am", "today 02:30"):
        with pytest.raises(UsageError) as wrong:
            resolve_window(text, None, "Europe/Berlin", *day)
        assert str(wrong.value) == expected
    assert resolve_window("2026-03-29T02:30+01:00", None, "Europe/Berlin", *day)[0] == ms("2026-03-29T01:30")
    assert resolve_window("-1d", None, "Europe/Berlin", *day)[0] == ms("2026-03-28T12:00")
    assert resolve_window("yesterday 14:00", None, "Europe/Berlin", *day)[0] == ms("2026-03-28T13:00")


def test_a_day_without_a_midnight_begins_when_its_clocks_do() -> None:
    """Santiago put its clocks forward from 24:00 to 01:00 on the night to 6 September 2026, at 04:00Z."""
    day = ms("2026-09-05T12:00"), ms("2026-09-07T12:00")
    assert resolve_window("yesterday", "today", "America/Santiago", *day) == (
        ms("2026-09-06T04:00"),
        ms("2026-09-07T03:00"),
    )
    assert resolve_window(None, "2026-09-06", "America/Santiago", *day)[1] == ms("2026-09-06T04:00")


@pytest.mark.parametrize("text", ["0001-01-01", "9999-12-31T23:59:59", "1970-01-01T00:00Z"])
def test_years_that_no_export_can_mean_are_refused(text: str) -> None:
    for zone in (AUCKLAND, "America/Los_Angeles"):
        with pytest.raises(UsageError, match="out of range"):
            window(text, None, zone)


@given(st.text(max_size=30), st.text(max_size=30))
def test_any_text_gives_a_window_or_wrong_usage(begin: str, end: str) -> None:
    try:
        first, last = window(begin, end)
    except UsageError:
        return
    assert first < last
