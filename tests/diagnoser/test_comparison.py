"""What a comparison of two times says. Rates by hand: a primary of 100/20 Mbit/s, minutes after 13:00 on Tuesday 3 March 2026."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from flowdiag.diagnoser.comparison import BUSY, CALM, FULL, Comparison, compare
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.diagnoser.finding import Finding, Verdict
from flowdiag.pipeline import restricted
from tests.note.building import Traffic, ms

# Asked about are 14:30 to 15:00; beside them 13:00 to 13:30, of one export.
ASKED, OTHER = (90, 120), (0, 30)
BACKUP = {"inside": "192.168.40.20", "outside": "203.0.113.9", "application": "rsync"}


def at(traffic: Traffic, window: tuple[float, float], **coverage: Any) -> Diagnosis:
    case = traffic.case(**coverage)
    return diagnose(replace(case, window_ms=(ms(window[0]), ms(window[1])), window_given=True))


def beside(
    traffic: Traffic, asked: tuple[float, float] = ASKED, other: tuple[float, float] = OTHER
) -> Comparison:
    return compare(at(traffic, asked), at(traffic, other))


def test_a_line_that_was_full_beside_one_that_was_not() -> None:
    """19.6 Mbit/s of 20 from 14:35 to 14:55, 19.1 of them a backup: 19.1e6 / 8 * 1200 octets = 2.865 GB."""
    found = beside(Traffic().office().flow(95, 115, "fibre", up=19.1, **BACKUP))
    assert found.sentence == (
        "From 14:35 to 14:55 the upload of fibre was full; from 13:00 to 13:30 it peaked at 2% of its plan: rsync of "
        "192.168.40.20 (imaging archive) with 203.0.113.9 came on top (2.87 GB)."
    )
    assert (found.differs, found.about, found.doubts) == (True, ("fibre", "up"), ())
    assert found.other_verdict is not None
    assert found.other_verdict.code == "not-the-link"
    upload = found.pairs[1]
    assert (upload.link, upload.direction) == ("fibre", "up")
    assert upload.asked is not None
    assert upload.other is not None
    # 0.5 Mbit/s of the office, and 19.1 more for 20 of 30 minutes.
    assert upload.asked.mean_mbps == pytest.approx(0.5 + 19.1 * 20 / 30)
    assert (upload.asked.peak_mbps, upload.other.peak_mbps) == (pytest.approx(19.6), pytest.approx(0.5))
    assert (upload.asked.full_minutes, upload.other.full_minutes) == (20, 0)


def test_the_other_way_round_it_was_missing() -> None:
    found = beside(Traffic().office().flow(5, 25, "fibre", up=19.1, **BACKUP))
    assert found.sentence == (
        "The upload of fibre peaked at 2% of its plan; from 13:00 to 13:30 it was full from 13:05 to 13:25: rsync of "
        "192.168.40.20 (imaging archive) with 203.0.113.9 was missing (2.87 GB then)."
    )


def test_full_both_times_differs_where_it_lasted_much_longer() -> None:
    """20 and 5 of 30 minutes: means of 13.2 and 3.7 Mbit/s, 48 % of the plan apart."""
    traffic = (
        Traffic().office().flow(95, 115, "fibre", up=19.1, **BACKUP).flow(10, 15, "fibre", up=19.1, **BACKUP)
    )
    assert beside(traffic).sentence == (
        "From 14:35 to 14:55 the upload of fibre was full; from 13:00 to 13:30 it was full too from 13:10 to 13:15: rsync of "
        "192.168.40.20 (imaging archive) with 203.0.113.9 grew from 716 MB to 2.87 GB."
    )


def test_busy_and_full_are_two_levels() -> None:
    """15 of 20 Mbit/s are busy."""
    traffic = (
        Traffic().office().flow(90, 120, "fibre", up=19.1, **BACKUP).flow(0, 30, "fibre", up=14.5, **BACKUP)
    )
    found = beside(traffic)
    assert (CALM, BUSY, FULL) == (0, 1, 2)
    # 4.6 of 19.1 Mbit/s more, 23 % of the larger volume.
    assert found.sentence == (
        "From 14:30 to 15:00 the upload of fibre was full; from 13:00 to 13:30 it was busy all the time: rsync of "
        "192.168.40.20 (imaging archive) with 203.0.113.9 grew from 3.26 GB to 4.30 GB."
    )


def test_small_differences_do_not_count() -> None:
    """8 and 17.9 Mbit/s of 100: under a tenth of the plan apart."""
    found = beside(Traffic().office().flow(90, 120, "fibre", down=9.9, **BACKUP))
    assert found.sentence == (
        "No difference that counts: the download of fibre peaked at 18% of its plan; from 13:00 to 13:30 it peaked at 8%."
    )
    assert found.differs is False


def test_a_tenth_of_the_plan_counts() -> None:
    found = beside(Traffic().office().flow(90, 120, "fibre", down=10, **BACKUP))
    assert found.differs is True
    assert found.sentence == (
        "The download of fibre peaked at 18% of its plan; from 13:00 to 13:30 it peaked at 8%: rsync of 192.168.40.20 "
        "(imaging archive) with 203.0.113.9 came on top (2.25 GB)."
    )


def test_a_difference_of_many_small_parts_is_said_to_be_one() -> None:
    """Six devices of 3 Mbit/s each, with six places and three applications."""
    traffic = Traffic().office()
    for number in range(6):
        traffic.flow(90, 120, "fibre", down=3, inside=f"192.168.40.{40 + number}", outside=f"198.51.100.{number}",
                     application=("https", "imaps", "ssh")[number % 3])  # fmt: skip
    assert beside(traffic).sentence.endswith(
        ": no one destination, device or application makes up half of the difference."
    )


def test_volumes_less_than_a_fifth_apart_are_not_explained() -> None:
    """18.9 Mbit/s are full and 15.6 busy; 3.3 of 18.9 are 17 %."""
    traffic = Traffic().flow(90, 120, "fibre", up=18.9, **BACKUP).flow(0, 30, "fibre", up=15.6, **BACKUP)
    assert beside(traffic).sentence == (
        "From 14:30 to 15:00 the upload of fibre was full; from 13:00 to 13:30 it was busy all the time."
    )


def test_the_link_direction_that_moved_most_is_spoken_of_and_of_its_mean_too() -> None:
    """Downloads of 40 Mbit/s both times; uploads of 0.5 and 5.5, of which one minute was there then: a mean of 0.7."""
    traffic = Traffic().office(mbps=8).flow(0, 120, "fibre", down=32).flow(90, 120, "fibre", up=5, **BACKUP)
    found = beside(traffic.flow(3, 4, "fibre", up=5, **BACKUP))
    assert found.about == ("fibre", "up")
    assert found.sentence == (
        "The upload of fibre peaked at 28% of its plan; from 13:00 to 13:30 it peaked at 28%: rsync of 192.168.40.20 "
        "(imaging archive) with 203.0.113.9 came on top (1.12 GB)."
    )


def test_an_episode_that_only_touches_a_time_is_not_in_it() -> None:
    """Full from 13:30 to 13:50, between 13:00 to 13:30 and 13:50 to 14:20."""
    traffic = Traffic().office().flow(30, 50, "fibre", up=19.1, **BACKUP)
    found = beside(traffic, (50, 80), (0, 30))
    assert found.differs is False
    assert "full" not in found.sentence


def test_other_days_are_told_by_how_far_they_are() -> None:
    """The same half hour of two days, a week and two weeks before; and of two days after."""
    for days, told in (
        (2, "2 days before"),
        (1, "the day before"),
        (7, "a week before"),
        (14, "2 weeks before"),
    ):
        asked = at(Traffic(30).office(), (0, 30))
        earlier = replace(
            asked.case, window_ms=tuple(end - days * 86_400_000 for end in asked.case.window_ms)
        )
        # What an export of that day would show.
        moved = replace(
            earlier,
            flows=replace(
                earlier.flows,
                start_ms=earlier.flows.start_ms - days * 86_400_000,
                end_ms=earlier.flows.end_ms - days * 86_400_000,
            ),
            usage=replace(earlier.usage, start_ms=earlier.usage.start_ms - days * 86_400_000),
            coverage=replace(
                earlier.coverage,
                first_ms=ms(0) - days * 86_400_000,
                last_ms=ms(30) - days * 86_400_000,
            ),
        )
        other = diagnose(moved)
        assert f"; the same time {told} it peaked at 8%." in compare(asked, other).sentence
        after = compare(other, asked).sentence
        assert f"; the same time {told.replace('before', 'after')} it peaked" in after


def test_another_time_of_another_day_is_named() -> None:
    traffic = Traffic(26 * 60).office()
    found = compare(at(traffic, (1500, 1530)), at(traffic, (0, 30)))
    assert "; on Tue 3 Mar 13:00 to 13:30 NZDT it peaked at 8%." in found.sentence


def test_what_is_more_than_load_is_told_instead() -> None:
    """From 14:35 on the primary carries nothing and the backup all."""
    traffic = Traffic().office(0, 95).office(95, 120, link="lte")
    found = beside(traffic)
    assert found.other_verdict is not None
    assert found.other_verdict.code == "not-the-link"
    assert (
        found.sentence
        == "From 14:35 to 15:00 the site was on its backup; from 13:00 to 13:30 that was not so."
    )
    assert found.differs is True


def test_the_same_trouble_both_times_and_one_beside_a_full_line() -> None:
    twice = Traffic().office(0, 10).office(10, 20, link="lte").office(20, 95).office(95, 120, link="lte")
    assert beside(twice).sentence == (
        "From 14:35 to 15:00 the site was on its backup; from 13:00 to 13:30 too, from 13:10 to 13:20."
    )
    full = Traffic().office().flow(5, 25, "fibre", up=19.1, **BACKUP)
    there = replace(at(full, ASKED), verdict=at(twice, ASKED).verdict)
    assert compare(there, at(full, OTHER)).sentence.endswith("; from 13:00 to 13:30 that was not so.")
    cut_off = replace(there, verdict=Verdict("outage", "", "high"))
    assert compare(cut_off, at(full, OTHER)).sentence == (
        "From 14:30 to 15:00 no link carried anything; from 13:00 to 13:30 that was not so, but from 13:05 to 13:25 the upload "
        "of fibre was full."
    )
    turned = compare(at(full, OTHER), there).sentence
    assert turned.startswith("From 13:05 to 13:25 the upload of fibre was full; ")
    assert turned.endswith("from 14:35 to 15:00 the site was on its backup.")


def test_a_fault_of_the_backups_test_hides_no_load() -> None:
    traffic = Traffic().office().flow(95, 115, "fibre", up=19.1, **BACKUP)
    asked, other = (at(traffic, window) for window in (ASKED, OTHER))
    missing = Finding(
        "keepalive-missing", "warning", "high", "", "", link="lte", start_ms=ms(0), end_ms=ms(120)
    )
    found = compare(asked, replace(other, verdict=Verdict(missing.code, "", "high", missing)))
    assert found.sentence == compare(asked, other).sentence
    quiet = compare(replace(other, verdict=Verdict(missing.code, "", "high", missing)), other)
    assert quiet.about == ("fibre", "down")
    assert quiet.differs is False


def test_a_time_without_records_is_said_and_has_no_figures() -> None:
    found = beside(Traffic().office(), other=(-60, -30))
    assert found.sentence == (
        "The export has no records of Tuesday 3 March 2026, 12:00 to 12:30 NZDT: there is nothing to compare with."
    )
    assert (found.differs, found.about, found.shifts, found.other_verdict) == (None, None, None, None)
    assert all(pair.asked is not None and pair.other is None for pair in found.pairs)
    turned = beside(Traffic().office(), asked=(-60, -30), other=(0, 30))
    assert turned.sentence == (
        "The export has no records of the time asked about: there is nothing to compare."
    )
    assert all(pair.asked is None and pair.other is not None for pair in turned.pairs)


def test_silence_of_a_living_exporter_is_no_missing_record() -> None:
    """Nothing flowed in the first half hour, and the exporter said so: a rate of 0 is measured."""
    found = beside(Traffic().office(30, 120))
    assert "; from 13:00 to 13:30 it peaked at 0%" in found.sentence
    assert found.doubts == ()


@pytest.mark.parametrize(
    ("silent", "sentence", "doubts"),
    [
        ((0, 16), "Only 47% of the other time is covered by records, which is too little to compare.", 0),
        ((0, 10), "No difference that counts: ", 1),
        ((100, 110), "No difference that counts: ", 1),
        (
            (90, 110),
            "Only 33% of the time asked about is covered by records, which is too little to compare.",
            0,
        ),
    ],
)
def test_a_time_that_is_covered_in_part_is_doubted_or_not_compared(
    silent: tuple[int, int], sentence: str, doubts: int
) -> None:
    whole = Traffic()
    for part in ((0, silent[0]), (silent[1], 120)):
        whole.office(*part)
    asked, other = at(whole, ASKED, unheard=silent), at(whole, OTHER, unheard=silent)
    found = compare(asked, other)
    assert found.sentence.startswith(sentence)
    assert len(found.doubts) == doubts
    if doubts:
        of = "the other time" if silent[0] < 90 else "the time asked about"
        assert (
            found.doubts[0]
            == f"Only 67% of {of} is covered by records; its volumes and minutes are lower bounds."
        )


def test_other_lengths_are_said_and_told_by_rates() -> None:
    """Half an hour beside an hour: 19.1 Mbit/s for all of it."""
    found = beside(Traffic().office().flow(90, 120, "fibre", up=19.1, **BACKUP), other=(0, 60))
    assert found.doubts == (
        "The times are of different length, 30 minutes and 60 minutes: compare rates, not volumes or minutes.",
    )
    assert "with 203.0.113.9 came on top (19.1 Mbit/s)." in found.sentence


def test_other_sampling_and_resolution_are_said() -> None:
    traffic = Traffic().office()
    found = compare(at(traffic, ASKED, sampling=100.0), at(traffic, OTHER, resolution_s=120))
    assert found.doubts == (
        "1 packet in 100 was sampled in the time asked about, every packet was counted in the other; small differences may "
        "be chance.",
        "Bursts shorter than 60 and 120 seconds cannot be seen in the two times.",
    )


def test_lost_records_are_said() -> None:
    """A tenth of all."""
    traffic = Traffic().office()
    records = len(traffic.rows)
    lost = {"lost_records": records // 9, "losses": ()}
    found = compare(at(traffic, ASKED), at(traffic, OTHER, **lost))
    assert found.doubts == (
        "Up to 10% of the records of the other time were lost; its figures are lower bounds.",
    )


def test_one_link_and_direction_are_spoken_of_where_they_alone_are_asked_for() -> None:
    traffic = Traffic().office().flow(95, 115, "fibre", up=19.1, **BACKUP)
    both = [restricted(at(traffic, window), 0, "down") for window in (ASKED, OTHER)]
    found = compare(both[0], both[1], "down")
    assert found.about == ("fibre", "down")
    assert {pair.link for pair in found.pairs} == {"fibre"}


def test_the_other_times_trouble_is_what_is_spoken_of_where_this_one_has_none() -> None:
    """The download moves more, but the upload was full then."""
    traffic = Traffic().office().flow(5, 25, "fibre", up=19.1, **BACKUP).flow(90, 120, "fibre", down=60)
    assert beside(traffic).about == ("fibre", "up")


def test_a_site_without_links_has_nothing_to_compare() -> None:
    asked, other = (at(Traffic().office(), window) for window in (ASKED, OTHER))
    assert compare(replace(asked, links=()), other).sentence == "There is no link to compare."
