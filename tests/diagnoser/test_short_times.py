"""Short exports, short spells and short outages. Figures by hand, on a plan of 100/20 Mbit/s that counts IP octets:
12,500,000 octets a second fill the download.
"""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.signals.at_limit import at_limit
from flowdiag.diagnoser.signals.episodes import episodes
from flowdiag.diagnoser.signals.figure_windows import figure_windows
from flowdiag.diagnoser.signals.full_times import figures
from flowdiag.diagnoser.signals.sustained import sustained_short, with_hidden_dips
from flowdiag.note.compose import client_part
from tests.diagnoser.building import SYN, Book, ms, profile

FULL_A_SECOND = 12_500_000


def download(
    book: Book, begin: float, end: float, *, share: float = 0.98, record: float = 10, port: int = 50_001
) -> None:
    """A download of a share of the plan in records of so many seconds."""
    for start in np.arange(begin, end, record):
        stop = min(start + record, end)
        book.row(
            float(start),
            float(stop),
            way=DOWN,
            octets=share * FULL_A_SECOND * (stop - start),
            inside_port=port,
        )


def test_thirty_seconds_at_the_plan_read_as_such_and_not_as_half_of_it() -> None:
    book = Book()
    download(book, 40, 70, share=0.99)  # from one minute into the next
    case = book.case(profile(backup=False), resolution_s=10)
    (link,) = figures(case)
    assert figure_windows(case).usage.window_ms == 10_000
    assert link.down.mean_mbps == pytest.approx(99.0)
    assert link.down.peak_mbps == pytest.approx(99.0)
    assert (link.down.peak_window_s, link.down.full_minutes) == (10.0, 0.5)
    verdict = diagnose(case).verdict
    assert verdict.code == "cannot-tell"
    assert verdict.confidence == "medium"


def test_a_minute_that_is_half_of_a_short_export_is_a_full_link() -> None:
    book = Book()
    book.browse(0, 120)
    download(book, 30, 95)
    case = book.case(profile(backup=False), resolution_s=10)
    (finding,) = [found for found in diagnose(case).findings if found.code == "link-full"]
    assert (finding.severity, "short" in finding.evidence) == ("critical", False)
    # Of the windows from 30 to 90 each is full to the brim, the one from 90 to 100 to its half.
    assert finding.evidence["full_minutes"] == 1
    assert diagnose(case).verdict.code == "link-full"


def test_less_than_half_of_the_time_is_a_spell_that_is_told() -> None:
    book = Book()
    book.browse(0, 240)
    download(book, 60, 130)
    diagnosis = diagnose(book.case(profile(backup=False), resolution_s=10))
    (finding,) = [found for found in diagnosis.findings if found.code == "link-full"]
    assert (finding.severity, finding.evidence["short"], finding.evidence["full_seconds"]) == (
        "info",
        True,
        70,
    )
    assert (finding.start_ms, finding.end_ms) == (ms(60), ms(130))
    assert diagnosis.verdict.code == "not-the-link"
    assert "Apart from 70 seconds" in diagnosis.verdict.sentence
    assert "never used above" not in diagnosis.verdict.sentence


def test_four_minutes_off_the_whole_minutes_are_four_minutes() -> None:
    book = Book()
    book.browse(0, 3600)
    download(book, 640, 880, record=60)
    case = book.case(profile(backup=False), resolution_s=60)
    (episode,) = episodes(case).full
    assert episode.times(case) == (ms(640), ms(880))


def test_each_of_three_spells_is_a_finding_and_the_sentence_counts_them() -> None:
    book = Book()
    book.browse(0, 3600)
    for begin, length in ((600, 20), (1200, 40), (2400, 20)):
        download(book, begin, begin + length)
    diagnosis = diagnose(book.case(profile(backup=False), resolution_s=10))
    found = [finding for finding in diagnosis.findings if finding.code == "link-full"]
    assert [(finding.start_ms, finding.end_ms) for finding in found] == [
        (ms(600), ms(620)),
        (ms(1200), ms(1240)),
        (ms(2400), ms(2420)),
    ]
    assert diagnosis.verdict.sentence.startswith(
        "Apart from 3 short spells in which it was full, the longest of 40 seconds"
    )
    assert diagnosis.verdict.confidence != "high"


def test_ten_seconds_are_no_spell_where_records_last_ten() -> None:
    book = Book()
    book.browse(0, 3600)
    download(book, 600, 610)
    assert at_limit(book.case(profile(backup=False), resolution_s=10)) == ()


def test_where_records_last_five_seconds_two_of_them_are() -> None:
    book = Book()
    book.browse(0, 3600)
    download(book, 600, 610, record=5)
    (limit,) = at_limit(book.case(profile(backup=False), resolution_s=5))
    assert limit.total_ms == 10_000


@pytest.mark.parametrize(
    ("pattern", "window_s", "runs"),
    [
        ("oooooooooooooooooo", 10, [(0, 18)]),  # three minutes
        ("ooooooooooooooooo.", 10, []),  # ten seconds short of it
        ("ooooooooo....oooooooooo", 10, [(0, 23)]),  # a dip of forty seconds between longer times
        ("ooooooooo.......oooooooooo", 10, []),  # of seventy
        (
            "o.....o.....o.....oooooooooooooooooo",
            10,
            [(18, 36)],
        ),  # single windows before it are not its begin
        ("oo.oo.oo.oo.oo.oo.oo.oo.oo.", 10, [(0, 26)]),  # eighteen of twenty-six
    ],
)
def test_short_windows_are_sustained_for_three_minutes_in_all(
    pattern: str, window_s: int, runs: list[tuple[int, int]]
) -> None:
    assert sustained_short(np.array([sign == "o" for sign in pattern]), window_s * 1000) == runs


def test_of_windows_covered_in_part_the_covered_seconds_count() -> None:
    # Six windows of ten seconds, of which the first and the last count by one second each: 42 seconds, no minute.
    over, lengths = np.ones(6, np.bool_), np.array([1_000, 10_000, 10_000, 10_000, 10_000, 1_000])
    assert sustained_short(over, 10_000, 60_000, lengths) == []
    assert sustained_short(over, 10_000, 42_000, lengths) == [(0, 6)]
    assert sustained_short(over, 10_000, 60_000) == [(0, 6)]


def test_a_dip_of_which_nothing_is_known_is_bridged_and_others_are_not() -> None:
    over = np.array([sign == "o" for sign in "ooo..ooo..oo"])
    hidden = np.array([sign == "h" for sign in "...hh......."])
    filled = with_hidden_dips(over, hidden, 3)
    assert "".join("o" if one else "." for one in filled) == "oooooooo..oo"
    assert (with_hidden_dips(over, hidden, 1) == over).all()


def at_work(seconds: float) -> Book:
    book = Book()
    book.browse(0, seconds, every=1.0)
    return book


def cut_off(begin: float, end: float, until: float) -> Book:
    """Browsing but for a time in which four hosts try eight places again and again, and nothing comes in."""
    book = Book()
    book.browse(0, begin, every=1.0)
    book.browse(end, until, every=1.0)
    for number, start in enumerate(np.arange(begin + 1, end - 2, 2.0)):
        book.row(
            float(start), float(start) + 1, way=1, octets=120, packets=2, inside=f"192.168.40.{20 + number % 4}",
            outside=f"203.0.113.{1 + number % 8}", inside_port=40_000 + number, flags=SYN,
        )  # fmt: skip
    return book


def test_a_hundred_seconds_without_any_line_of_two_minutes_are_an_outage() -> None:
    diagnosis = diagnose(cut_off(10, 110, 120).case(profile(backup=False), resolution_s=10))
    assert (diagnosis.verdict.code, diagnosis.verdict.confidence) == ("outage", "high")
    (finding,) = [found for found in diagnosis.findings if found.code == "outage"]
    assert finding.start_ms == pytest.approx(ms(10), abs=1000)
    assert finding.end_ms == pytest.approx(ms(110), abs=1000)


def test_thirty_seconds_of_an_hour_are_told_beside_an_all_clear_that_is_not_sure() -> None:
    diagnosis = diagnose(cut_off(1800, 1830, 3600).case(profile(backup=False), resolution_s=10))
    (finding,) = [found for found in diagnosis.findings if found.code == "outage"]
    assert (finding.severity, finding.evidence["short"], finding.evidence["minutes"]) == ("info", True, 0.52)
    assert diagnosis.verdict.code == "not-the-link"
    assert diagnosis.verdict.confidence == "medium"
    assert "nothing came in" in diagnosis.verdict.sentence
    assert "not the cause" not in diagnosis.verdict.sentence


def test_a_silence_in_which_nobody_tried_anything_is_a_doubt_and_no_outage() -> None:
    book = Book()
    book.browse(0, 1800, every=1.0)
    book.browse(1850, 3600, every=1.0)
    diagnosis = diagnose(book.case(profile(backup=False), resolution_s=10))
    assert "outage" not in [found.code for found in diagnosis.findings]
    assert diagnosis.verdict.confidence == "medium"
    assert any("unlike this site" in reason for reason in diagnosis.verdict.reasons)


def test_a_busy_hour_without_any_of_this_clears_the_line() -> None:
    verdict = diagnose(at_work(3600).case(profile(backup=False), resolution_s=10)).verdict
    assert (verdict.code, verdict.confidence) == ("not-the-link", "high")
    assert "was not the cause: it was never used above" in verdict.sentence


def test_a_level_that_one_transfer_held_asks_to_test_the_rate_and_the_client_is_told_so() -> None:
    # Six tenths of the plan for two minutes, in one conversation: the far end may have set it, and so may the line.
    book = Book()
    book.browse(0, 150)
    download(book, 15, 135, share=0.6)
    case = book.case(profile(backup=False), resolution_s=10)
    diagnosis = diagnose(case)
    assert (diagnosis.verdict.code, diagnosis.verdict.confidence) == ("not-the-link", "medium")
    part = client_part(case, diagnosis.verdict, diagnosis.findings)
    # 60 Mbit/s and 0.08 of browsing: rounded up.
    assert part.saw[0].startswith(
        "As far as it was measured, your line was used up to 61%. We cannot be sure: "
    )
    assert part.next[0] == "We test what the line gives while it is quiet, and compare it with the plan."


def test_a_full_time_that_reaches_beyond_a_short_question_has_its_own_times() -> None:
    """It was asked about two minutes in the middle of two and a half."""
    book = Book()
    book.browse(0, 600)
    download(book, 120, 270)
    case = book.case(profile(backup=False), resolution_s=10, window=(130, 250))
    (finding,) = [found for found in diagnose(case).findings if found.code == "link-full"]
    assert (finding.start_ms, finding.end_ms) == (ms(120), ms(270))


def test_a_short_spell_is_told_to_the_second_everywhere() -> None:
    """Forty seconds from 10:10:50 on, in records of a minute or so: the finding, the reason and the sentence agree."""
    book = Book()
    book.browse(0, 3600)
    download(book, 650, 690)
    diagnosis = diagnose(book.case(profile(backup=False)))
    (finding,) = [found for found in diagnosis.findings if found.code == "link-full"]
    assert finding.start_ms == ms(650)
    for said in (finding.summary, diagnosis.verdict.sentence, " ".join(diagnosis.verdict.reasons)):
        assert "40 seconds" in said
        assert "from 10:10:50 on" in said


def test_where_no_flow_tells_the_resolution_a_long_one_may_still_be_running() -> None:
    """An hour of short flows: an upload of its last twenty minutes may be reported after half an hour only."""
    case = at_work(3600).case(profile(backup=False))
    unknown = replace(case, coverage=replace(case.coverage, resolution_known=False))
    verdict = diagnose(unknown).verdict
    assert (verdict.code, verdict.confidence) == ("not-the-link", "medium")
    assert "a long transfer that was still running may not have been measured yet" in verdict.sentence
    early = replace(unknown, window_ms=(ms(300), ms(1700)), window_given=True)
    assert diagnose(early).verdict.confidence == "high"
    assert diagnose(case).verdict.confidence == "high"
