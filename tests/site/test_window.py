"""--from and --to as people write them."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.errors import UsageError
from flowdiag.site.window import resolve_window

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


def test_a_clock_time_needs_a_date_where_the_export_covers_several_days() -> None:
    with pytest.raises(UsageError, match=r"several days in UTC: 2026-03-02, 2026-03-03; expected .2026"):
        resolve_window("14:00", None, "UTC", ms("2026-03-02T10:00"), ms("2026-03-03T00:01"))
    with pytest.raises(UsageError, match=r"2026-03-06 and more until 2026-04-01"):
        resolve_window("14:00", None, "UTC", ms("2026-03-02T10:00"), ms("2026-04-01T10:00"))


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


@pytest.mark.parametrize("text", ["noon", "25:00", "14:60", "24:01", "", "2026-13-01", "14", "\x1b[31m"])
def test_what_is_no_time_is_wrong_usage(text: str) -> None:
    with pytest.raises(UsageError, match=r"--from: .* is not a time; expected"):
        window(text, None)


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
