"""A span of time as it is said on the telephone."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.errors import UsageError
from flowdiag.site.span_words import span_of
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
        ("2026-03-02", ("2026-03-02", None)),
        ("2026-03-02T14:00+13:00 – 2026-03-02T15:00+13:00", ("2026-03-02T14:00+13:00", "2026-03-02T15:00+13:00")),
        ("3 March 14:00 to 15:00", ("3 March 14:00", "15:00")),
    ],
)  # fmt: skip
def test_what_people_say(said: str, span: tuple[str, str | None]) -> None:
    assert span_of(said) == span


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
        ("2026-03-02", ("2026-03-02", None)),
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
