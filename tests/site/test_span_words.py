"""Spans of time as people say them, in one line."""

import pytest

from flowdiag.errors import UsageError
from flowdiag.site.span_words import MAX_LENGTH, span_of


@pytest.mark.parametrize(
    ("words", "span"),
    [
        ("now", ("-15m", None)),
        ("last hour", ("last hour", None)),
        ("since 14:00", ("14:00", None)),
        ("14:10-14:50", ("14:10", "14:50")),
        ("14:10 \u2013 14:50", ("14:10", "14:50")),
        ("2pm to 3pm", ("2pm", "3pm")),
        ("between 2pm-3pm", ("2pm", "3pm")),
        ("today", ("today", None)),
        ("yesterday", ("yesterday", "today")),
        ("Yesterday afternoon", ("Yesterday 12:00", "Yesterday 18:00")),
        ("this morning", ("today 06:00", "today 12:00")),
        ("tuesday evening", ("tuesday 18:00", "tuesday 23:00")),
        ("3 March 14:00 to 15:00", ("3 March 14:00", "15:00")),
        ("-2h", ("-2h", None)),
    ],
)
def test_what_people_say(words: str, span: tuple[str, str | None]) -> None:
    assert span_of(words) == span


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


@pytest.mark.parametrize("words", ["", "  ", "1 to 2 to 3", "14:00-15:00-16:00", "x" * (MAX_LENGTH + 1)])
def test_what_is_no_span(words: str) -> None:
    with pytest.raises(UsageError):
        span_of(words)
