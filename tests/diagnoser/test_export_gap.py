"""export-gap and the silences under it. Chances by hand: (1 - p)^n."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.findings import export_gap
from flowdiag.diagnoser.signals.silences import covered, silences
from tests.diagnoser.building import Book, ms, profile

MINUTE = 60
DAY = 86_400


def office(
    heard: list[tuple[float, float]], window: tuple[float, float] | None = None, **more: object
) -> Case:
    """Two hours of browsing where the exporter was heard."""
    book = Book()
    for begin, end in heard:
        book.browse(begin, end)
    return book.case(profile(backup=False), heard=heard, window=window, **more)  # type: ignore[arg-type]


def test_a_silence_of_a_busy_exporter_is_a_gap_with_its_times() -> None:
    case = office([(0, 50 * MINUTE), (65 * MINUTE, 120 * MINUTE)])
    found = export_gap.find(case)
    assert [(f.code, f.severity) for f in found] == [("export-gap", "warning")]
    assert abs((found[0].start_ms or 0) - ms(50 * MINUTE)) <= 60_000
    assert abs((found[0].end_ms or 0) - ms(65 * MINUTE)) <= 60_000
    assert "lower bounds" in found[0].summary


def test_under_a_twentieth_of_the_window_it_is_info() -> None:
    case = office([(0, 50 * MINUTE), (54 * MINUTE, 120 * MINUTE)])
    assert [f.severity for f in export_gap.find(case)] == ["info"]


def test_several_small_silences_are_weighed_together() -> None:
    # Three of about eight minutes: each is 4% of the 200 minutes, together they are 12%.
    heard = [(0, 40), (48, 90), (98, 140), (148, 200)]
    found = export_gap.find(office([(a * MINUTE, b * MINUTE) for a, b in heard]))
    assert all(f.evidence["share_of_window"] < 0.05 for f in found)
    assert [f.severity for f in found] == ["warning"] * 3


@pytest.mark.parametrize(
    ("hours", "days", "severity"),
    [
        ("Tue 10:00-10:01", 0.95, "info"),  # it ends on Tuesday, 08:48
        ("Tue 10:00-10:01", 1.05, "warning"),
        (
            "Mon 09:58-09:59",
            6.9,
            "info",
        ),  # a minute that comes again a week later, less the eleven before the silence
        ("Mon 09:58-09:59", 7.1, "warning"),
        ("Tue 10:00-10:01", 50_000, "warning"),
    ],
)
def test_any_silence_is_held_against_the_hours_in_little_memory(
    hours: str, days: float, severity: str
) -> None:
    book = Book()
    book.browse(0, 50 * MINUTE)
    window = (0, days * DAY)
    case = book.case(profile(backup=False, hours=hours), heard=[(0, 50 * MINUTE)], window=window)
    tracemalloc.start()
    found = export_gap.find(case)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert [f.severity for f in found] == [severity]
    assert peak < 10 << 20


def test_outside_working_hours_it_is_info_as_long_as_no_record_is_missing() -> None:
    """The cases lie on Monday morning, 10:00 to 12:00."""
    for hours, losses, severity in (
        ("Mon-Fri 13:00-18:00", (), "info"),
        ("Mon-Fri 13:00-18:00", (65 * MINUTE,), "warning"),
        ("Mon-Fri 11:00-18:00", (), "warning"),
    ):
        book = Book()
        book.browse(0, 50 * MINUTE)
        book.browse(65 * MINUTE, 120 * MINUTE)
        case = book.case(
            profile(backup=False, hours=hours),
            heard=[(0, 50 * MINUTE), (65 * MINUTE, 120 * MINUTE)],
            losses=losses,
        )
        assert [f.severity for f in export_gap.find(case)] == [severity]


def test_two_silent_minutes_are_nothing() -> None:
    assert export_gap.find(office([(0, 50 * MINUTE), (52 * MINUTE, 120 * MINUTE)])) == []


def test_a_quiet_exporter_may_pause_for_as_long_as_is_its_habit() -> None:
    """Heard every tenth minute, p = 0.1: nine silent minutes in between prove nothing (0.9^9 = 0.39)."""
    book = Book()
    heard = []
    for minute in range(0, 240, 10):
        book.row(minute * 60, minute * 60 + 5, way=DOWN, octets=500)
        heard.append((minute * 60.0, minute * 60.0 + 5))
    case = book.case(profile(backup=False), heard=heard)
    assert silences(case) == ()
    assert covered(case) == 1.0


def test_going_home_is_no_gap_but_a_hole_in_the_night_of_an_exporter_that_speaks_is() -> None:
    day = [(0.0, 60.0 * MINUTE)]
    evening = [(minute * 60.0, minute * 60.0 + 5) for minute in range(90, 300, 15)]
    assert silences(office(day + evening)) == ()
    night = [(0.0, 60.0 * MINUTE), (90.0 * MINUTE, 180.0 * MINUTE)]
    assert len(silences(office(night))) == 1


def test_a_window_that_reaches_beyond_the_export_is_not_covered_there() -> None:
    case = office([(0, 60 * MINUTE)], window=(30 * MINUTE, 90 * MINUTE))
    assert covered(case) == pytest.approx(0.5, abs=0.02)
    found = export_gap.find(case)
    assert [f.severity for f in found] == ["warning"]
    assert found[0].end_ms == ms(90 * MINUTE)


def test_the_edges_of_an_export_that_is_looked_at_as_a_whole_are_no_gaps() -> None:
    assert export_gap.find(office([(0, 60 * MINUTE)])) == []


def test_lost_records_are_a_gap_by_their_part_of_all() -> None:
    # A loss stands for 20 records here; an hour of browsing every 2 s has 3,598 records. 200 / 3,798 = 5.3%.
    times = np.linspace(600, 3000, 10).tolist()
    found = export_gap.find(office([(0, 60 * MINUTE)], losses=times))
    assert [f.severity for f in found] == ["warning"]
    assert found[0].evidence["lost_records"] == 200
    assert found[0].evidence["lost_percent"] == pytest.approx(100 * 200 / 3798, abs=0.1)
    assert [f.severity for f in export_gap.find(office([(0, 60 * MINUTE)], losses=times[:2]))] == ["info"]


def test_losses_outside_the_window_do_not_lower_its_figures() -> None:
    case = office([(0, 60 * MINUTE)], window=(40 * MINUTE, 60 * MINUTE), losses=[300.0, 400.0])
    assert export_gap.find(case) == []


def test_records_lost_in_a_silence_are_told_with_it_and_not_again() -> None:
    case = office([(0, 50 * MINUTE), (65 * MINUTE, 120 * MINUTE)], losses=[65 * MINUTE + 20.0])
    found = export_gap.find(case)
    assert len(found) == 1
    assert found[0].evidence["lost_records"] == 20
    assert "20 records were lost" in found[0].summary


def test_very_many_silences_are_one_finding() -> None:
    heard = [(a * 3600.0, a * 3600.0 + 2400) for a in range(8)]
    found = export_gap.find(office(heard))
    assert len(found) == 1
    assert len(found[0].evidence["spells"]) > 5


def test_a_window_on_the_day_after_the_export_is_told_with_dates() -> None:
    # The export is of Monday 2 March, 10:00 to 12:00 UTC; the window the same hours of Tuesday.
    day = 24 * 60 * MINUTE
    found = export_gap.find(office([(0, 120 * MINUTE)], window=(day, day + 120 * MINUTE)))
    assert "from Mon 2 Mar 12:00 to Tue 3 Mar 12:00 UTC" in found[0].summary


def test_a_window_on_the_day_of_the_export_is_told_by_the_clock_alone() -> None:
    found = export_gap.find(office([(0, 120 * MINUTE)], window=(0, 240 * MINUTE)))
    assert "from 12:00 to 14:00 UTC" in found[0].summary


def test_a_silence_in_which_the_exporter_restarted_says_so_and_is_no_quiet_night() -> None:
    """The case lies on Monday morning, 10:00 to 12:00, before anybody is at work."""
    book = Book()
    book.browse(0, 50 * MINUTE)
    book.browse(65 * MINUTE, 120 * MINUTE)
    heard = [(0.0, 50.0 * MINUTE), (65.0 * MINUTE, 120.0 * MINUTE)]
    case = book.case(profile(backup=False, hours="Mon-Fri 13:00-18:00"), heard=heard)
    restarted = replace(case, coverage=replace(case.coverage, restarts=((ms(49 * MINUTE), ms(65 * MINUTE)),)))
    (quiet,), (told,) = export_gap.find(case), export_gap.find(restarted)
    assert (quiet.severity, told.severity) == ("info", "warning")
    assert "restarted" not in quiet.evidence
    assert told.evidence["restarted"] is True
    assert "restarted meanwhile" in told.summary
    assert "restarted meanwhile" in told.client
    assert told.start_ms == quiet.start_ms
