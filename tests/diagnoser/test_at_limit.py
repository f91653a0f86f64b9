"""How long a line was at its limit in times too short for a finding. Figures by hand, on a plan of 100/20 Mbit/s
that counts IP octets: 12,500,000 octets a second fill the download.
"""

from __future__ import annotations

from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.signals.at_limit import at_limit, left_open, limited_ms
from flowdiag.note.client_words import means
from tests.diagnoser.building import Book, ms, profile

FULL_A_SECOND = 12_500_000
HOUR = 3600


def full_for(seconds: float, *, at: float = 600, until: float = HOUR, share: float = 0.98) -> Case:
    """Browsing to `until`, and a download of share of the plan for so many seconds in records of ten."""
    book = Book()
    book.browse(0, until)
    for start in range(int(at), int(at + seconds), 10):
        book.row(start, start + 10, way=DOWN, octets=share * FULL_A_SECOND * 10, inside_port=50_001)
    return book.case(profile(backup=False), span=(0, until))


def test_two_minutes_at_the_limit_are_told_with_their_time() -> None:
    (limit,) = at_limit(full_for(120))
    assert (limit.link, limit.direction) == (0, DOWN)
    assert limit.spells == ((ms(600), ms(720)),)
    assert limit.longest_ms == limit.total_ms == 120_000
    assert abs(limit.share - 120 / HOUR) < 1e-9
    # 98 Mbit/s of the download and 0.08 of browsing.
    assert 98.0 <= limit.rate_mbps < 98.2


def test_bursts_under_half_a_minute_are_part_of_every_day() -> None:
    assert at_limit(full_for(20)) == ()
    assert len(at_limit(full_for(30))) == 1


def test_a_line_short_of_full_is_not_at_its_limit() -> None:
    assert at_limit(full_for(120, share=0.88)) == ()


def test_only_the_part_in_the_window_counts() -> None:
    case = replace(full_for(120), window_ms=(ms(660), ms(HOUR)))
    (limit,) = at_limit(case)
    assert limit.total_ms == 60_000
    assert at_limit(replace(case, window_ms=(ms(1200), ms(HOUR)))) == ()


def test_no_room_is_claimed_where_the_line_was_at_its_limit_for_two_minutes_of_an_hour() -> None:
    verdict = diagnose(full_for(120)).verdict
    assert (verdict.code, verdict.confidence, verdict.room) == ("not-the-link", "medium", "none at times")
    assert verdict.sentence.startswith("Apart from 2 minutes from 10:10 on, in which its download was full, ")
    assert "not the cause" not in verdict.sentence
    assert "never used above" not in verdict.sentence
    assert "for 2 minutes of the 60 minutes looked at" in verdict.reasons[1]


def test_where_that_is_much_of_the_time_the_confidence_is_low() -> None:
    # Two minutes of seven: more than a quarter.
    verdict = diagnose(full_for(120, at=120, until=420)).verdict
    assert (verdict.code, verdict.confidence) == ("not-the-link", "low")


def test_of_ninety_seconds_a_minute_at_the_limit_leaves_the_question_open() -> None:
    verdict = diagnose(full_for(60, at=10, until=90)).verdict
    assert verdict.code == "cannot-tell"
    assert "90 seconds" in verdict.sentence
    assert "60 seconds" in verdict.sentence


def test_of_ninety_seconds_half_a_minute_at_the_limit_does_not() -> None:
    assert diagnose(full_for(30, at=10, until=90)).verdict.code == "not-the-link"


def both_ways(download_s: int, upload_s: int) -> Case:
    """Ninety seconds: a full download from the tenth on, and a full upload that ends with them."""
    book = Book()
    book.browse(0, 90)
    for begin, seconds, way, plan in ((10, download_s, DOWN, 1.0), (90 - upload_s, upload_s, UP, 0.2)):
        for start in range(begin, begin + seconds, 10):
            octets = 0.98 * plan * FULL_A_SECOND * 10
            book.row(start, start + 10, way=way, octets=octets, inside_port=50_001 + way)
    return book.case(profile(backup=False), span=(0, 90))


def test_one_way_then_the_other_is_most_of_the_time_together() -> None:
    """30 s and 30 s are 60 of 90; where they are at the same time for the most part, 40."""
    case = both_ways(30, 30)
    assert limited_ms(left_open(case)) == 60_000
    verdict = diagnose(case).verdict
    assert verdict.code == "cannot-tell"
    assert "your line's download or upload was at its limit for 60 seconds of them" in verdict.sentence
    overlapping = both_ways(40, 40)  # from 10 to 50 and from 50 to 90: one after another
    assert limited_ms(at_limit(overlapping)) == 80_000
    assert left_open(both_ways(30, 0)) == ()


def test_a_line_that_came_near_its_limit_is_not_said_to_have_been_at_it() -> None:
    """85% for a minute of an hour: busy begins at 70%, full at 90%."""
    verdict = diagnose(full_for(60, share=0.85)).verdict
    assert (verdict.code, verdict.room) == ("not-the-link", "little")
    said = means(verdict, audit=False, variable=False)
    assert said.startswith("At times the line had little room left.")
    assert "cut off" not in said


def test_the_usual_sentence_tells_the_room_there_was() -> None:
    verdict = diagnose(full_for(0)).verdict
    assert verdict.room == "enough"
    assert "never used above 1%" in verdict.sentence


def test_sampled_exports_are_looked_at_by_whole_minutes() -> None:
    case = full_for(120)
    sampled = replace(case, coverage=replace(case.coverage, sampling=10))
    (limit,) = at_limit(sampled)
    assert limit.longest_ms == 120_000
    fifty = full_for(50)
    assert at_limit(replace(fifty, coverage=replace(fifty.coverage, sampling=10))) == ()
