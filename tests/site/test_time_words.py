"""Times as people write them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.errors import UsageError
from flowdiag.site.time_words import Back, OnDay, Recurring, When, read_time

HOUR = timedelta(hours=1)
AT_TWO, HALF_PAST_TWO = 14 * HOUR, 14.5 * HOUR


@pytest.mark.parametrize(
    ("text", "means"),
    [
        ("14:00", Recurring(AT_TWO)),
        ("14.30", Recurring(HALF_PAST_TWO)),
        ("14h30", Recurring(HALF_PAST_TWO)),
        ("2 o'clock", Recurring(2 * HOUR, twice=True)),
        ("12 o'clock", Recurring(timedelta(), twice=True)),
        ("2pm", Recurring(AT_TWO)),
        ("2:30 PM", Recurring(HALF_PAST_TWO)),
        ("2.30 p.m.", Recurring(HALF_PAST_TWO)),
        ("12am", Recurring(timedelta())),
        ("12pm", Recurring(12 * HOUR)),
        ("9:05:30", Recurring(timedelta(hours=9, minutes=5, seconds=30))),
        ("24:00", Recurring(24 * HOUR)),
        ("yesterday 14:00", OnDay(AT_TWO, days=1)),
        ("  Yesterday   at 2 pm ", OnDay(AT_TWO, days=1)),
        ("14:00 yesterday", OnDay(AT_TWO, days=1)),
        ("today, 14:00", OnDay(AT_TWO)),
        ("yesterday", OnDay(timedelta(), days=1)),
        ("tuesday 14:00", Recurring(AT_TWO, weekday=1)),
        ("2pm on Tue", Recurring(AT_TWO, weekday=1)),
        ("last tuesday 14:00", OnDay(AT_TWO, weekday=1)),
        ("last sun", OnDay(timedelta(), weekday=6)),
        ("-2h", Back(2 * HOUR)),
        ("-90 min", Back(1.5 * HOUR)),
        ("2 hours ago", Back(2 * HOUR)),
        ("last hour", Back(HOUR)),
        ("the last 30 minutes", Back(HOUR / 2)),
        ("last week", Back(timedelta(days=7))),
        ("now", Back(timedelta())),
        ("2026-03-02T14:00", datetime(2026, 3, 2, 14)),
        ("2026-03-02 14:00Z", datetime(2026, 3, 2, 14, tzinfo=UTC)),
    ],
)
def test_what_is_meant(text: str, means: When) -> None:
    assert read_time("--from", text) == means


@pytest.mark.parametrize(
    "text",
    [
        *(
            "noon",
            "25:00",
            "14:60",
            "24:01",
            "",
            "2026-13-01",
            "14",
            "0am",
            "13pm",
            "14:00pm",
            "-2",
            "2h",
            "last",
        ),
        *(
            "31 feb 14:00",
            "29 feb 2026",
            "0 march",
            "31 dec 9999 24:00",
            "march",
            "3 march 14",
            "last fortnight",
            "tomorrow",
            "yesterday 25:00",
            "tuesday wednesday",
            "monday 14",
            "-999999h",
            "\x1b[31m",
        ),
    ],
)
def test_what_is_no_time_is_told_with_the_forms_there_are(text: str) -> None:
    with pytest.raises(UsageError) as wrong:
        read_time("--to", text)
    said = str(wrong.value)
    assert said.startswith("--to: ")
    assert (
        'is not a time; expected "14:00", "2pm", "yesterday 14:00", "tuesday 2pm", "2 March 14:00", "last hour", "-2h"'
        in said
    )


@given(st.integers(0, 23), st.integers(0, 59))
def test_both_ways_to_write_a_time_of_day_mean_the_same(hour: int, minute: int) -> None:
    twelve = f"{hour % 12 or 12}:{minute:02} {'pm' if hour >= 12 else 'am'}"
    assert read_time("--from", twelve) == read_time("--from", f"{hour}:{minute:02}")
