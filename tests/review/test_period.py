"""The period of a review: months and times of each site's own zone."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowdiag.collector.store.opening import open_backend
from flowdiag.errors import StoreError, UsageError
from flowdiag.review.period import Period, chosen_period, month_period
from tests.review.portfolios import small

DAY_MS = 86_400_000


def test_a_month_is_each_sites_own() -> None:
    march = month_period("2026-03")
    auckland, utc = march.span_ms("Pacific/Auckland"), march.span_ms("UTC")
    assert utc == (1_772_323_200_000, 1_772_323_200_000 + 31 * DAY_MS)
    assert utc[0] - auckland[0] == 13 * 3_600_000


def test_a_month_with_a_change_of_clocks_is_an_hour_longer() -> None:
    begin, end = month_period("2026-04").span_ms("Pacific/Auckland")
    assert end - begin == 30 * DAY_MS + 3_600_000


@pytest.mark.parametrize("text", ["2026", "2026-13", "2026-00", "March", "1900-01", "2026-3"])
def test_what_is_no_month_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="is not a month"):
        month_period(text)


def test_the_newest_31_days_are_reviewed_by_default(tmp_path: Path) -> None:
    backend = open_backend(small(tmp_path, sites=1, days=3).store)
    assert chosen_period(backend, None, None, None).span_ms("UTC")[1] == 1_772_582_400_000  # 4 March
    assert chosen_period(backend, None, None, "2026-03-02") == Period("2026-01-30T00:00", "2026-03-02T00:00")
    day = chosen_period(backend, None, "2026-03-02T08:00:00", "17:00")
    assert day.span_ms("UTC")[1] - day.span_ms("UTC")[0] == 9 * 3_600_000
    assert chosen_period(backend, "2026-02", None, None) == month_period("2026-02")


@pytest.mark.parametrize(
    ("begin", "end", "words"),
    [
        ("2026-03-01T00:00", "2026-04-01T00:00", "1 to 31 March 2026"),
        ("2026-03-02T00:00", "2026-04-02T00:00", "2 March to 1 April 2026"),
        ("2025-12-15T00:00", "2026-01-15T00:00", "15 December 2025 to 14 January 2026"),
        ("2026-03-02T00:00", "2026-03-03T00:00", "2 March 2026"),
        ("2026-03-02T08:00", "2026-03-03T00:00", "2026-03-02 08:00 to 2026-03-03 00:00"),
        ("2026-03-02T00:00+13:00", "2026-03-03T00:00", "2026-03-02 00:00+13:00 to 2026-03-03 00:00"),
        ("2026-03-02T08:00", "17:00", "2026-03-02 08:00 to 17:00"),
    ],
)
def test_a_period_in_words_ends_with_its_last_day(begin: str, end: str, words: str) -> None:
    assert Period(begin, end).words == words


def test_a_month_does_not_go_with_other_times(tmp_path: Path) -> None:
    backend = open_backend(small(tmp_path, sites=1, days=1).store)
    with pytest.raises(UsageError, match="does not go together"):
        chosen_period(backend, "2026-03", "2026-03-01", None)


@pytest.mark.parametrize(
    ("begin", "end", "what"),
    [
        ("tomorrow", None, "is not a time"),
        ("2026-03-05", "2026-03-01", "ends at"),
        (None, "soon", "is not a time"),
        ("-1d", "-2d", "ends at"),
        ("2020-01-01", "2026-01-01", "days"),
    ],
)
def test_times_that_cannot_be(tmp_path: Path, begin: str | None, end: str | None, what: str) -> None:
    backend = open_backend(small(tmp_path, sites=1, days=1).store)
    with pytest.raises(UsageError, match=what):
        chosen_period(backend, None, begin, end)


def test_words_count_back_from_the_newest_day_of_the_store(tmp_path: Path) -> None:
    """Flows of 1 to 3 March 2026; 3 March was a Tuesday."""
    backend = open_backend(small(tmp_path, sites=1, days=3).store)
    for begin, end, expected in (
        ("-2d", None, ("2026-03-02T00:00", "2026-03-04T00:00")),
        ("yesterday", "today", ("2026-03-02T00:00", "2026-03-03T00:00")),
        ("monday", "2026-03-03", ("2026-03-02T00:00", "2026-03-03T00:00")),
        ("2026-03-01T00:00+13:00", "now", ("2026-03-01T00:00+13:00", "2026-03-04T00:00")),
        ("9am", "5pm", ("2026-03-03T09:00", "2026-03-03T17:00")),
    ):
        assert chosen_period(backend, None, begin, end) == Period(*expected)


def test_there_has_to_be_a_store(tmp_path: Path) -> None:
    for month in ("2026-03", None):
        with pytest.raises(StoreError, match="no flow store"):
            chosen_period(open_backend(tmp_path / "nothing"), month, None, None)
