"""What stands behind --compare: which time is meant, beside which time asked about."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from flowdiag.errors import UsageError
from flowdiag.site.window import compared_window, read_compared

ZONE = "Pacific/Auckland"  # 13 hours ahead of UTC in summer; clocks went back on Sunday 5 April 2026, 03:00 to 02:00
MINUTE_MS = 60_000


def at(text: str) -> int:
    """Local time in New Zealand's summer, in ms."""
    local = datetime.fromisoformat(text).replace(tzinfo=UTC) - timedelta(hours=13)
    return round(local.timestamp() * 1000)


def told(ms: int) -> str:
    return (datetime.fromtimestamp(ms / 1000, UTC) + timedelta(hours=13)).strftime("%a %d %b %H:%M")


# Tuesday 3 March 2026, 14:10 to 14:50; an export of some weeks that ends on Wednesday the 4th at 09:00.
ASKED = (at("2026-03-03T14:10"), at("2026-03-03T14:50"))
WEEKS = (at("2026-02-10T08:00"), at("2026-03-04T09:00"))


def beside(
    text: str, span: tuple[int | None, int | None] = WEEKS, asked: tuple[int, int] = ASKED
) -> tuple[str, int]:
    """Where the compared time begins, and how many minutes it is long."""
    begin, end = compared_window(text, ZONE, *span, asked)
    return told(begin), (end - begin) // MINUTE_MS


@pytest.mark.parametrize(
    ("text", "begin"),
    [
        ("2026-02-24T14:10", "Tue 24 Feb 14:10"),
        ("2026-02-24T01:10Z", "Tue 24 Feb 14:10"),
        ("24 February 14:10", "Tue 24 Feb 14:10"),
        # Back from the end of the export, a Wednesday, as behind --from.
        ("yesterday 10:00", "Tue 03 Mar 10:00"),
        ("last monday 14:10", "Mon 02 Mar 14:10"),
        ("-2h", "Wed 04 Mar 07:00"),
    ],
)
def test_a_time_alone_begins_a_window_as_long_as_the_one_asked_about(text: str, begin: str) -> None:
    assert beside(text) == (begin, 40)


@pytest.mark.parametrize(
    ("text", "begin"),
    [
        ("13:00", "Tue 03 Mar 13:00"),
        ("13:30", "Tue 03 Mar 13:30"),  # to 14:10, when the time asked about begins
        ("13:31", "Mon 02 Mar 13:31"),  # that of the same day would reach into it
        ("14:10", "Mon 02 Mar 14:10"),
        ("16:00", "Mon 02 Mar 16:00"),
        ("2pm", "Mon 02 Mar 14:00"),
        ("tuesday 14:10", "Tue 24 Feb 14:10"),
        ("wednesday 14:10", "Wed 25 Feb 14:10"),
    ],
)
def test_a_time_without_a_date_is_the_last_before_the_time_asked_about(text: str, begin: str) -> None:
    assert beside(text) == (begin, 40)


def test_on_an_export_of_one_day_it_is_that_day() -> None:
    day = (at("2026-03-03T08:00"), at("2026-03-03T20:00"))
    assert beside("16:00", day) == ("Tue 03 Mar 16:00", 40)
    assert beside("9am", day) == ("Tue 03 Mar 09:00", 40)
    with pytest.raises(UsageError, match="overlaps the time asked about"):
        beside("14:30", day)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("tuesday 14:00 to 16:00", ("Tue 24 Feb 14:00", 120)),
        ("13:00 until 14:00", ("Tue 03 Mar 13:00", 60)),
        ("23:00 TO 01:00", ("Mon 02 Mar 23:00", 120)),
        ("2 March 9am to 2 March 10:30", ("Mon 02 Mar 09:00", 90)),
        ("22:00 to 2026-03-02T01:00", ("Sun 01 Mar 22:00", 180)),
        ("last monday to last monday 12:00", ("Mon 02 Mar 00:00", 720)),
    ],
)
def test_a_span_has_its_own_length(text: str, expected: tuple[str, int]) -> None:
    assert beside(text) == expected


def test_a_window_over_several_days_is_clear_of_itself() -> None:
    """Asked about is 1 March 00:00 to 3 March 00:00: the last 12:00 from which two days end before it is that of 26 February."""
    asked = (at("2026-03-01T00:00"), at("2026-03-03T00:00"))
    assert beside("12:00", asked=asked) == ("Thu 26 Feb 12:00", 2880)


def test_the_same_hour_is_as_long_where_clocks_were_put_back() -> None:
    """14:10 on the Sunday is 12 hours ahead of UTC, on the Saturday before 13."""
    asked = (at("2026-04-05T15:10"), at("2026-04-05T15:50"))
    begin, end = compared_window("saturday 14:10", ZONE, None, asked[1], asked)
    assert (told(begin), end - begin) == ("Sat 04 Apr 14:10", 40 * MINUTE_MS)


@pytest.mark.parametrize(
    "text", ["2026-03-03T14:10", "2026-03-03T13:31", "2026-03-03T14:49", "3 March 13:00 to 15:00"]
)
def test_a_time_that_overlaps_the_one_asked_about_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match=r"--compare: .* overlaps the time asked about"):
        beside(text)


def test_times_that_touch_do_not_overlap() -> None:
    assert beside("2026-03-03T14:50") == ("Tue 03 Mar 14:50", 40)
    assert beside("2026-03-03T13:30") == ("Tue 03 Mar 13:30", 40)


@pytest.mark.parametrize(
    "text", ["", "sometime", "14:00 to", "to 14:00", "14:00 to never", "14:00 to 15:00 to 16:00"]
)
def test_what_is_no_time_is_refused_before_anything_is_read(text: str) -> None:
    with pytest.raises(UsageError, match=r"--compare: '.*' is not a time"):
        read_compared(text)


def test_a_span_that_ends_before_it_begins_is_refused() -> None:
    with pytest.raises(UsageError, match="--compare: the window begins at 2026-03-02T10:00"):
        beside("2026-03-02T10:00 to 2026-03-02T09:00")


def test_days_cannot_be_counted_back_from_an_export_without_times() -> None:
    with pytest.raises(UsageError, match="--compare needs a date"):
        beside("yesterday 14:00", (None, None))
    assert beside("14:00", (None, None)) == ("Mon 02 Mar 14:00", 40)
