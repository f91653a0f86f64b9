"""Times and volumes in the sentences of findings."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from flowdiag.text.clock import duration
from flowdiag.text.figures import plan_rate, volume
from flowdiag.text.sentences.times import clock, clock_changes, site_clock, span, zoned_span
from tests.diagnoser.building import Book, ms, profile

HOUR = 3600
DAY = 24 * HOUR


def test_on_the_day_of_the_window_a_time_needs_no_day() -> None:
    # An export of three days from Monday 2 March, 10:00 UTC; the window is on the Tuesday.
    book = Book()
    book.browse(0, 3 * DAY, every=60)
    case = book.case(profile(), window=(DAY, DAY + HOUR))
    assert clock(case, ms(DAY)) == "10:00"
    assert span(case, ms(DAY), ms(DAY + 600)) == "from 10:00 to 10:10"
    assert span(case, ms(0), ms(600)) == "from Mon 2 Mar 10:00 to 10:10"
    assert span(case, ms(0), ms(DAY)) == "from Mon 2 Mar 10:00 to Tue 3 Mar 10:00"


def test_in_a_window_of_several_days_every_span_has_its_day() -> None:
    book = Book()
    book.browse(0, 3 * DAY, every=60)
    case = book.case(profile())
    assert span(case, ms(DAY), ms(DAY + 600)) == "from Tue 3 Mar 10:00 to 10:10"


@pytest.mark.parametrize(
    ("octets", "shown"),
    [
        (0, "0 octets"), (1, "1 octet"), (999, "999 octets"), (1000, "1.00 kB"), (20_160, "20.2 kB"),
        (99_949_999, "99.9 MB"), (99_960_000, "100 MB"), (3_700_000_000, "3.70 GB"), (1.8e13, "18,000 GB"),
    ],
)  # fmt: skip
def test_volumes_have_three_figures(octets: float, shown: str) -> None:
    assert volume(octets) == shown


def test_plans_read_as_they_are_sold() -> None:
    assert [plan_rate(mbps) for mbps in (20.0, 17.5, 0.5, 1000.0, 2500.0)] == [
        *("20 Mbit/s", "17.5 Mbit/s", "0.5 Mbit/s", "1,000 Mbit/s", "2,500 Mbit/s")
    ]


def test_where_the_clock_is_put_back_every_time_has_its_zone() -> None:
    """Europe/Berlin, 25 October 2026: 03:00 CEST becomes 02:00 CET (EU Directive 2000/84/EC: at 01:00 UTC)."""
    site = profile()
    site = site.model_copy(update={"site": site.site.model_copy(update={"timezone": "Europe/Berlin"})})
    change = (datetime(2026, 10, 25, 1, tzinfo=UTC) - datetime(2026, 3, 2, 10, tzinfo=UTC)).total_seconds()
    book = Book()
    book.browse(change - 2 * HOUR, change + 2 * HOUR)
    case = book.case(site)
    assert clock(case, ms(change - HOUR / 2)) == "02:30 CEST"
    assert clock(case, ms(change + HOUR / 2)) == "02:30 CET"
    assert zoned_span(case, ms(change - HOUR / 2), ms(change + HOUR / 2)) == "from 02:30 CEST to 02:30 CET"
    later = Book()
    later.browse(change + 2 * HOUR, change + 4 * HOUR)
    after = later.case(site)
    assert clock(after, ms(change + 3 * HOUR)) == "05:00"
    assert zoned_span(after, ms(change + 2 * HOUR), ms(change + 3 * HOUR)) == "from 04:00 to 05:00 CET"


def test_a_change_amid_months_of_data_is_noticed() -> None:
    """A year of data begins and ends in winter; the summer time between has another offset."""
    site = profile()
    site = site.model_copy(update={"site": site.site.model_copy(update={"timezone": "Europe/Berlin"})})
    book = Book()
    book.row(0, 60, way=1, octets=1000)
    book.row(365 * DAY, 365 * DAY + 60, way=1, octets=1000)
    assert clock_changes(book.case(site))
    assert not clock_changes(book.case(profile()))  # UTC


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0.4, "0 seconds"), (1, "1 second"), (119.4, "119 seconds"), (120, "2 minutes"), (150, "2 minutes 30 seconds"),
        (181, "3 minutes 1 second"), (240, "4 minutes"), (599.6, "10 minutes"), (630, "11 minutes"), (7_199, "120 minutes"),
        (7_200, "2 hours"), (9_000, "2.5 hours"),
    ],
)  # fmt: skip
def test_durations_are_told_as_exactly_as_times_are(seconds: float, said: str) -> None:
    assert duration(seconds * 1000) == said


def test_a_short_span_has_its_seconds_and_a_long_one_only_where_the_export_has_them() -> None:
    """10:03:20 to 10:05:05 is 105 seconds; 10:03:20 to 10:33:20 is half an hour."""
    book = Book()
    book.browse(0, HOUR)
    coarse, fine = book.case(profile()), book.case(profile(), resolution_s=20)
    assert span(coarse, ms(200), ms(305)) == "from 10:03:20 to 10:05:05"
    assert span(coarse, ms(180), ms(300)) == "from 10:03 to 10:05"
    assert span(coarse, ms(200), ms(2000)) == "from 10:03 to 10:33"
    assert span(fine, ms(200), ms(2000)) == "from 10:03:20 to 10:33:20"
    assert (clock(coarse, ms(200)), clock(fine, ms(200))) == ("10:03", "10:03:20")


def test_a_time_asked_about_with_seconds_is_told_with_them() -> None:
    book = Book()
    book.browse(0, HOUR)
    case = book.case(profile(), window=(200, 1805))
    assert span(case, *case.window_ms) == "from 10:03:20 to 10:30:05"
    assert site_clock(case).full_span(*case.window_ms) == "Monday 2 March 2026, 10:03:20 to 10:30:05 UTC"
    whole = book.case(profile(), window=(180, 1800))
    assert span(whole, ms(200), ms(1805)) == "from 10:03 to 10:30"
