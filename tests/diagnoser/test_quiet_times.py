"""Times in which nothing came in, unlike the site."""

from __future__ import annotations

import pytest

from flowdiag.diagnoser.signals.quiet_times import quiet_times
from tests.diagnoser.building import Book, ms, profile

HOUR = 3600


def broken(*silences: tuple[float, float]) -> Book:
    """A busy hour with silences: a conversation of one second every second."""
    book = Book()
    begin = 0.0
    for start, end in (*silences, (HOUR, HOUR)):
        book.browse(begin, start, every=1.0)
        begin = end
    return book


def test_a_silence_is_told_by_the_records_at_its_ends() -> None:
    (quiet,) = quiet_times(broken((1000, 1040)).case(profile(backup=False)))
    assert (quiet.start_ms, quiet.end_ms, quiet.covered) == (ms(999), ms(1040), False)


@pytest.mark.parametrize(("most", "found"), [(3, 3), (2, 0)])
def test_many_silences_are_a_habit_of_the_site(
    monkeypatch: pytest.MonkeyPatch, most: int, found: int
) -> None:
    monkeypatch.setattr("flowdiag.diagnoser.signals.quiet_times.MOST_LIKE_IT", most)
    book = broken((800, 840), (1600, 1640), (2400, 2440))
    assert len(quiet_times(book.case(profile(backup=False)))) == found
