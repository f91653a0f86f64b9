"""A span of time as it is said on the telephone."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.errors import UsageError
from flowdiag.site.span_words import span_of
from flowdiag.site.time_words import read_time
from flowdiag.site.window import resolve_window


@pytest.mark.parametrize(
    ("said", "span"),
    [
        ("14:10–14:50", ("14:10", "14:50")),
        ("14:10-14:50", ("14:10", "14:50")),
        ("14:10 - 14:50", ("14:10", "14:50")),
        ("2pm to 3pm", ("2pm", "3pm")),
        ("2pm-3pm", ("2pm", "3pm")),
        ("from 2pm until 3pm", ("2pm", "3pm")),
        ("yesterday 14:00 to 15:00", ("yesterday 14:00", "15:00")),
        ("yesterday afternoon", ("yesterday 12:00", "yesterday 18:00")),
        ("this morning", ("today 06:00", "today 12:00")),
        ("Tuesday  Evening", ("Tuesday 18:00", "Tuesday 23:00")),
        ("yesterday", ("yesterday", "today")),
        ("today", ("today", None)),
        ("now", ("-15m", None)),
        ("last hour", ("last hour", None)),
        ("-2h", ("-2h", None)),
        ("since 14:00", ("14:00", None)),
        ("2026-03-02T14:00 to 2026-03-02T15:00", ("2026-03-02T14:00", "2026-03-02T15:00")),
        ("2026-03-02", ("2026-03-02", "2026-03-03")),
        ("2026-03-02T14:00+13:00 – 2026-03-02T15:00+13:00", ("2026-03-02T14:00+13:00", "2026-03-02T15:00+13:00")),
        ("3 March 14:00 to 15:00", ("3 March 14:00", "15:00")),
        ("11:30 to 12", ("11:30", "12 o'clock")),
        ("since 11", ("11 o'clock", None)),
        ("from 2 to 3", ("2 o'clock", "3 o'clock")),
        ("2-3", ("2 o'clock", "3 o'clock")),
        ("14 to 15", ("14:00", "15:00")),
        ("2 to 3pm", ("2pm", "3pm")),
        ("11 to 1 p.m.", ("11am", "1 p.m.")),
        ("10 to 12am", ("10pm", "12am")),
        ("2pm to 3", ("2pm", "3 o'clock")),
        ("30 minutes", ("last 30 minutes", None)),
        ("2h", ("last 2h", None)),
        ("half an hour", ("last 30 minutes", None)),
        ("Last night", ("yesterday 18:00", "today 06:00")),
        ("14h30", ("14h30", None)),
        ("14h30-15h30", ("14h30", "15h30")),
    ],
)  # fmt: skip
def test_what_people_say(said: str, span: tuple[str, str | None]) -> None:
    assert span_of(said) == span


@pytest.mark.parametrize(
    ("said", "first", "hours"),
    [
        ("monday", "2026-03-02", 24),
        ("last tue", "2026-03-03", 24),
        ("on Tuesday", "2026-03-03", 24),
        ("3 March", "2026-03-03", 24),
        ("Sat 28 Feb", "2026-02-28", 24),
        ("28 September 2025", "2025-09-28", 23),  # the day on which the clocks went forward
        ("2025-04-06", "2025-04-06", 25),  # and back
        ("since monday", "2026-03-02", 88),
        ("yesterday", "2026-03-04", 24),
    ],
)
def test_a_day_is_the_whole_day_and_since_reaches_to_now(said: str, first: str, hours: int) -> None:
    zone = ZoneInfo("Pacific/Auckland")
    now_ms = round(datetime(2026, 3, 5, 16, 0, tzinfo=zone).timestamp() * 1000)
    begin, end = span_of(said)
    window = resolve_window(begin, end or "now", "Pacific/Auckland", None, now_ms)
    assert datetime.fromtimestamp(window[0] / 1000, zone).isoformat()[:16] == f"{first}T00:00"
    assert (window[1] - window[0]) / 3_600_000 == hours


@pytest.mark.parametrize(
    ("said", "first", "minutes"),
    [
        ("11:30 to 12", "05T11:30", 30),
        ("since 11", "05T11:00", 75),
        ("since 1", "05T01:00", 675),
        ("since 12", "05T12:00", 15),
        ("from 2 to 3", "05T02:00", 60),
        ("from 11 to 1", "05T11:00", 120),
        ("from 10 to 11", "05T10:00", 60),
        ("2 to 3pm", "04T14:00", 60),
        ("23:30 to 12", "04T23:30", 30),
        ("yesterday 14:00 to 3", "04T14:00", 60),
        ("9 to 2026-03-05T10:30", "05T09:00", 90),
        ("30 minutes", "05T11:45", 30),
        ("last night", "04T18:00", 720),
        ("since 9 o'clock", "05T09:00", 195),
        ("9h30 to 10h15", "05T09:30", 45),
    ],
)
def test_bare_hours_are_the_last_that_were(said: str, first: str, minutes: int) -> None:
    """On Thursday 5 March 2026 at 12:15."""
    zone = ZoneInfo("Pacific/Auckland")
    now_ms = round(datetime(2026, 3, 5, 12, 15, tzinfo=zone).timestamp() * 1000)
    begin, end = span_of(said)
    window = resolve_window(begin, end or "now", "Pacific/Auckland", None, now_ms)
    assert datetime.fromtimestamp(window[0] / 1000, zone).isoformat()[:16] == f"2026-03-{first}"
    assert (window[1] - window[0]) / 60_000 == minutes


@pytest.mark.parametrize("said", ["11", "since 25", "2026", "3 March 14"])
def test_a_number_alone_is_no_time(said: str) -> None:
    with pytest.raises(UsageError):
        read_time("--from", span_of(said)[0])


def test_every_form_is_a_window() -> None:
    """Thursday 5 March 2026, 16:00 in Auckland: yesterday afternoon ended before it."""
    now_ms = round(datetime(2026, 3, 5, 3, 0, tzinfo=UTC).timestamp() * 1000)
    begin, end = resolve_window(*span_of("yesterday afternoon"), "Pacific/Auckland", None, now_ms)
    assert (datetime.fromtimestamp(begin / 1000, UTC), end - begin) == (
        datetime(2026, 3, 3, 23, 0, tzinfo=UTC),
        6 * 3_600_000,
    )


@pytest.mark.parametrize(
    ("words", "span"),
    [
        ("2026-03-02", ("2026-03-02", "2026-03-03")),
        ("2026-03-02T14:00", ("2026-03-02T14:00", None)),
        ("2026-03-02T14:00-05:00", ("2026-03-02T14:00-05:00", None)),
        ("2026-03-02T14:00 to 2026-03-02T15:00", ("2026-03-02T14:00", "2026-03-02T15:00")),
        (
            "2026-03-02T14:00:00-0500 until 2026-03-02T15:00:00-0500",
            ("2026-03-02T14:00:00-0500", "2026-03-02T15:00:00-0500"),
        ),
        ("2026-03-02T14:00-15:00", ("2026-03-02T14:00", "15:00")),
        ("2026-03-02T14:00-2026-03-03T15:00", ("2026-03-02T14:00", "2026-03-03T15:00")),
        ("2026-03-02 14:00-15:00", ("2026-03-02 14:00", "15:00")),
        (
            "2026-03-02T14:00+13:00 - 2026-03-02T15:00+13:00",
            ("2026-03-02T14:00+13:00", "2026-03-02T15:00+13:00"),
        ),
    ],
)
def test_dashes_of_dates_and_of_offsets_part_nothing(words: str, span: tuple[str, str | None]) -> None:
    assert span_of(words) == span


@pytest.mark.parametrize("said", ["", "   ", "x" * 101, "1pm to 2pm to 3pm", "14:00-15:00-16:00"])
def test_what_cannot_be_a_span_is_refused(said: str) -> None:
    with pytest.raises(UsageError):
        span_of(said)


@given(st.text(max_size=60))
def test_any_text_is_a_span_or_is_refused(said: str) -> None:
    try:
        begin, end = span_of(said)
    except UsageError:
        return
    assert begin
    assert end is None or end
