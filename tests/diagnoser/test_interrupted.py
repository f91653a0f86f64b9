"""Outages in which nobody's attempts are on record, told by the conversations that they interrupted."""

from __future__ import annotations

import pytest

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.text.sentences import backup as wording
from tests.diagnoser.building import Book, ms, profile

HOUR = 3600

RECORD = 60


def session(book: Book, parts: list[tuple[float, float]], number: int, *, host: int | None = None) -> None:
    """A conversation that runs through each part, in records of a minute from the beginning of the part on."""
    for begin, end in parts:
        start = begin
        while start < end:
            stop = min(start + RECORD, end)
            book.row(
                start, stop, way=DOWN, octets=9_000, inside=f"192.168.40.{50 + (number if host is None else host)}",
                outside=f"203.0.113.{200 + number}", inside_port=40_000 + number,
            )  # fmt: skip
            start = stop


def silent(
    begin: float, end: float, *, sessions: int = 2, host: int | None = None, until: float = HOUR
) -> Book:
    """A site at work with sessions that began at different times, and nothing at all from begin to end."""
    book = Book()
    book.browse(0, begin, every=1.0)
    book.browse(end, until, every=1.0)
    for number in range(sessions):
        session(book, [(13 * number, begin), (end + number, until)], number, host=host)
    return book


def told(book: Book, **more: object) -> Diagnosis:
    return diagnose(book.case(profile(backup=False), **more))  # type: ignore[arg-type]


def test_sessions_that_stop_and_go_on_together_prove_an_outage_of_seconds() -> None:
    diagnosis = told(silent(1810, 1900))
    (finding,) = [found for found in diagnosis.findings if found.code == "outage"]
    assert (finding.start_ms, finding.end_ms, finding.severity) == (ms(1810), ms(1900), "critical")
    assert finding.evidence["at_work_shown_by"] == "interrupted"
    assert finding.doubts == (wording.INTERRUPTED,)
    assert (diagnosis.verdict.code, diagnosis.verdict.confidence) == ("outage", "medium")


def test_half_a_minute_is_told_and_met_with_advice_about_that_moment() -> None:
    verdict = told(silent(1810, 1845)).verdict
    assert (verdict.code, verdict.confidence) == ("not-the-link", "medium")
    assert "Apart from 35 seconds" in verdict.sentence
    assert "Wi-Fi" not in verdict.sentence + " ".join(action.text for action in verdict.next_steps)


@pytest.mark.parametrize(
    ("sessions", "host"),
    [(0, None), (2, 1)],  # nobody's; both of one device, which may have slept
)
def test_a_silence_that_no_such_sessions_met_stays_a_doubt(sessions: int, host: int | None) -> None:
    book = Book()
    for begin, end in ((0, 1810), (1900, HOUR)):
        book.browse(begin, end, every=1.0, hosts=1)
    for number in range(sessions):
        session(book, [(13 * number, 1810), (1900 + number, HOUR)], number, host=host)
    diagnosis = told(book)
    assert "outage" not in [finding.code for finding in diagnosis.findings]
    assert diagnosis.verdict.confidence == "medium"
    assert " seconds from 10:30:" in diagnosis.verdict.sentence


def test_whole_records_that_are_missing_are_the_exporters_silence() -> None:
    """From 1800 to 1920 two records of each session are not there, and none was cut short."""
    book = Book()
    for begin, end in ((0, 1800), (1920, HOUR)):
        book.browse(begin, end, every=1.0)
    for number in range(3):
        session(book, [(0, 1800), (1920, HOUR)], number)
    assert "outage" not in [finding.code for finding in told(book).findings]


def test_a_pause_that_is_no_row_of_whole_records_is_no_silence_of_the_exporter() -> None:
    """The last records before it are whole as well, and ninety seconds are no number of minutes."""
    book = Book()
    for begin, end in ((0, 1800), (1890, HOUR)):
        book.browse(begin, end, every=1.0)
    for number in range(3):
        session(book, [(0, 1800), (1890, HOUR)], number)
    assert "outage" in [finding.code for finding in told(book).findings]


def test_a_moment_without_anything_is_told_beside_a_busy_line() -> None:
    """Forty seconds between two times at 80 of 100 Mbit/s."""
    book = silent(1810, 1850)
    for begin, end in ((610, 1810), (1850, 3000)):
        for start in range(begin, end, RECORD):
            stop = min(start + RECORD, end)
            for part in range(4):
                book.row(start, stop, way=DOWN, octets=2_500_000 * (stop - start), inside=f"192.168.40.{30 + part}",
                         outside=f"203.0.113.{230 + part}", inside_port=41_000 + start)  # fmt: skip
    verdict = told(book).verdict
    assert verdict.code == "link-busy"
    said = "Besides, there were 40 seconds from 10:30:10 on, in which nothing came in"
    assert said in verdict.sentence


def test_a_session_that_pauses_by_habit_proves_nothing() -> None:
    book = Book()
    for begin, end in ((0, 1810), (1900, HOUR)):
        book.browse(begin, end, every=1.0)
    for number in range(2):
        pauses = [(200 + 13 * number, 900), (960, 1810), (1900 + number, HOUR)]
        session(book, [(0, 140), *pauses], number)
    assert "outage" not in [finding.code for finding in told(book).findings]


def test_minutes_of_silence_near_the_end_of_an_export_are_no_all_clear() -> None:
    """Two minutes after it are too few to say that traffic flowed on as before. The last page came at 469 seconds."""
    outage = told(silent(470, 730, until=850)).verdict
    assert (outage.code, outage.confidence) == ("outage", "medium")
    silence = told(silent(470, 730, until=850, sessions=0)).verdict
    assert (silence.code, silence.confidence) == ("not-the-link", "medium")
    assert "Apart from 4 minutes 21 seconds" in silence.sentence


def test_records_that_outlast_a_silence_do_not_hide_it() -> None:
    """A long idle timeout: the sessions' records run on over forty seconds in which nothing begins or ends."""
    book = Book()
    book.browse(0, 1800, every=1.0)
    book.browse(1840, HOUR, every=1.0)
    session(book, [(55, HOUR)], 0)
    book.row(1770, 1860, way=DOWN, octets=9_000, inside="192.168.40.60", outside="203.0.113.250")
    verdict = told(book).verdict
    assert verdict.confidence == "medium"
    assert "Apart from" in verdict.sentence
