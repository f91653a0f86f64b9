"""Local times as people write them. Zone facts are those of the IANA time zone database."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from flowdiag.text.clock import Clock

AUCKLAND = Clock("Pacific/Auckland")


def ms(text: str, zone: str = "Pacific/Auckland") -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)).timestamp() * 1000)


def test_iso_times_carry_the_sites_offset() -> None:
    assert AUCKLAND.iso(1_772_496_000_000) == "2026-03-03T13:00:00+13:00"  # 2026-03-03T00:00Z
    assert Clock("UTC").iso(1_772_496_000_499) == "2026-03-03T00:00:00+00:00"
    assert Clock("UTC").iso(1_772_496_000_500) == "2026-03-03T00:00:01+00:00"
    assert Clock("Pacific/Chatham").iso(1_772_496_000_000) == "2026-03-03T13:45:00+13:45"


def test_a_span_names_its_day_once() -> None:
    assert (
        AUCKLAND.full_span(ms("2026-03-03T14:10"), ms("2026-03-03T14:50"))
        == "Tuesday 3 March 2026, 14:10 to 14:50 NZDT"
    )
    assert (
        AUCKLAND.full_span(ms("2026-03-03T14:10"), ms("2026-03-04T02:00"))
        == "Tuesday 3 March 2026, 14:10 to Wednesday 4 March 2026, 02:00 NZDT"
    )


def test_a_day_ends_at_24_00() -> None:
    day = (ms("2026-03-03T00:00"), ms("2026-03-04T00:00"))
    assert AUCKLAND.full_span(*day) == "Tuesday 3 March 2026, 00:00 to 24:00 NZDT"
    assert AUCKLAND.span(*day, day=False) == "00:00 to 24:00 NZDT"


def test_both_zones_are_named_where_the_clocks_change() -> None:
    # New Zealand goes back to standard time on 5 April 2026.
    span = AUCKLAND.full_span(ms("2026-04-04T12:00"), ms("2026-04-06T12:00"))
    assert span == "Saturday 4 April 2026, 12:00 NZDT to Monday 6 April 2026, 12:00 NZST"


def test_a_short_span_has_days_where_they_are_needed() -> None:
    start, end = ms("2026-03-03T14:10"), ms("2026-03-03T14:50")
    assert AUCKLAND.span(start, end, day=False) == "14:10 to 14:50 NZDT"
    assert AUCKLAND.span(start, end, day=True) == "Tue 3 Mar 14:10 to 14:50 NZDT"
    assert (
        AUCKLAND.span(start, ms("2026-03-04T01:00"), day=False) == "Tue 3 Mar 14:10 to Wed 4 Mar 01:00 NZDT"
    )


def test_a_span_shorter_than_ten_minutes_is_told_to_the_second() -> None:
    start = ms("2026-03-03T14:03:20")
    assert AUCKLAND.span(start, ms("2026-03-03T14:05:05"), day=False) == "14:03:20 to 14:05:05 NZDT"
    assert AUCKLAND.full_span(start, ms("2026-03-03T14:05")) == (
        "Tuesday 3 March 2026, 14:03:20 to 14:05:00 NZDT"  # both with seconds or neither
    )
    assert AUCKLAND.span(ms("2026-03-03T14:03"), ms("2026-03-03T14:05") + 400, day=False) == (
        "14:03 to 14:05 NZDT"
    )
    assert AUCKLAND.span(start, start + 599_999, day=False) == "14:03:20 to 14:13:20 NZDT"
    assert AUCKLAND.span(start, start + 600_000, day=False) == "14:03 to 14:13 NZDT"


def test_a_fine_clock_tells_seconds_in_long_spans_too() -> None:
    fine = Clock("Pacific/Auckland", fine=True)
    start, end = ms("2026-03-03T14:03:20"), ms("2026-03-03T14:50")
    assert AUCKLAND.full_span(start, end) == "Tuesday 3 March 2026, 14:03 to 14:50 NZDT"
    assert fine.full_span(start, end) == "Tuesday 3 March 2026, 14:03:20 to 14:50:00 NZDT"
    assert fine.span(ms("2026-03-03T14:03"), end, day=False) == "14:03 to 14:50 NZDT"


def test_both_zones_are_named_in_a_span_within_the_day_of_the_change() -> None:
    # Europe/Berlin, 25 October 2026: at 01:00 UTC, 03:00 CEST becomes 02:00 CET (EU Directive 2000/84/EC).
    berlin = Clock("Europe/Berlin")
    change = 1_792_890_000_000  # 2026-10-25T01:00Z
    start, end = change - 30 * 60_000, change + 10 * 60_000
    assert berlin.span(start, end, day=False) == "02:30 CEST to 02:10 CET"
    assert berlin.full_span(start, end) == "Sunday 25 October 2026, 02:30 CEST to 02:10 CET"


def test_a_zone_without_a_short_name_shows_its_offset() -> None:
    assert Clock("America/Sao_Paulo").zone(1_772_496_000_000) == "UTC-03:00"


@pytest.mark.parametrize("time", [-(10**18), 10**18])
def test_times_beyond_the_calendar_do_no_harm(time: int) -> None:
    assert AUCKLAND.iso(time)
    assert AUCKLAND.full_span(time, time)
