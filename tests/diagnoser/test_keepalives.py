"""Keepalives. Budgets by arithmetic: packets a direction = time / interval; octets = packets x size."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import UP
from flowdiag.collector.report import LossEvent
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.findings import (
    keepalive_excess,
    keepalive_irregular,
    keepalive_missing,
    keepalive_unanswered,
)
from flowdiag.site.profile import Keepalive
from tests.diagnoser.building import PING, TCP, UDP, Book, ms, profile

HOUR = 3600
FINDERS = (keepalive_missing, keepalive_unanswered, keepalive_excess, keepalive_irregular)


def all_of(case: Case) -> list[Finding]:
    return [finding for finder in FINDERS for finding in finder.find(case)]


def codes(case: Case) -> list[str]:
    return [finding.code for finding in all_of(case)]


def hour(keepalive: Keepalive = PING, **more: Any) -> tuple[Book, dict[str, Any]]:
    book = Book()
    book.browse(0, HOUR, every=5)
    return book, {"of": profile(keepalives=[keepalive]), "span": (0, HOUR), **more}


@pytest.mark.parametrize("a_record", [1, 6, 30])
def test_steady_keepalives_say_nothing_however_they_are_recorded(a_record: int) -> None:
    book, how = hour(resolution_s=300)
    book.pings(0, HOUR, a_record=a_record)
    assert codes(book.case(**how)) == []


def test_what_is_still_open_at_the_end_is_not_missing() -> None:
    """With 300 s a record, the last 299 s may not have been exported yet."""
    book, how = hour(resolution_s=300)
    book.pings(0, HOUR - 290, a_record=30)
    assert codes(book.case(**how)) == []


def test_keepalives_that_stop_are_missing_from_the_first_that_was_due() -> None:
    book, how = hour()
    book.pings(0, 1200)
    (finding,) = all_of(book.case(**how))
    assert (finding.code, finding.severity, finding.link) == ("keepalive-missing", "warning", "lte")
    # Beats at 0, 10 ... 1190; the next was due at 1200.
    assert (finding.start_ms, finding.end_ms) == (ms(1200), ms(HOUR))
    assert finding.evidence["intervals_missed"] == 240
    assert finding.evidence["destinations"] == [{"address": "198.51.100.1", "label": None, "share": 1.0}]


def test_a_pause_of_two_minutes_is_missing_and_one_of_thirty_seconds_is_not() -> None:
    for pause, expected in ((120, ["keepalive-missing"]), (30, [])):
        book, how = hour()
        book.pings(0, 1200)
        book.pings(1200 + pause, HOUR)
        assert codes(book.case(**how)) == expected


def test_none_anywhere_is_missing_with_a_doubt() -> None:
    book, how = hour()
    (finding,) = all_of(book.case(**how))
    assert finding.code == "keepalive-missing"
    assert finding.confidence == "medium"
    assert finding.doubts


def test_keepalives_that_leave_by_the_primary_are_missing_on_the_backup() -> None:
    book, how = hour()
    book.pings(0, HOUR, link="fibre")
    (finding,) = all_of(book.case(**how))
    assert (finding.code, finding.link) == ("keepalive-missing", "lte")
    assert finding.evidence["other_links"] == ["fibre"]
    # The beats of each record are spread over it; the hour's 360 are all there.
    assert finding.evidence["packets_by_other_links"] == 360


def test_silence_of_the_exporter_is_no_missing_keepalive() -> None:
    book, how = hour(heard=[(0, 1200), (2100, HOUR)])
    book.pings(0, 1200)
    book.pings(2100, HOUR)
    assert codes(book.case(**how)) == []


def test_one_lost_record_does_not_make_keepalives_missing_or_unanswered() -> None:
    book, how = hour(losses=[1330], resolution_s=300)
    book.pings(0, 1200, a_record=30)
    book.pings(1500, HOUR, a_record=30)
    assert codes(book.case(**how)) == []


def test_on_a_sampled_export_absence_must_be_twelve_packets_long() -> None:
    """1 in 100: an hour of 360 keepalives shows 3.6 on average, so none seen proves nothing."""
    book = Book()
    book.talk(0, HOUR, 1e9, 1e8, sampling=100)
    assert codes(book.case(profile(keepalives=[PING]), span=(0, HOUR))) == []


def test_a_backup_whose_links_cannot_be_told_apart_is_not_judged() -> None:
    book, how = hour(links_apart=False)
    assert codes(book.case(**how)) == []


def test_requests_without_replies_are_unanswered_with_medium_confidence_when_nothing_ever_came_in() -> None:
    book, how = hour()
    book.pings(0, HOUR, answered=False)
    (finding,) = all_of(book.case(**how))
    assert (finding.code, finding.severity, finding.confidence) == (
        "keepalive-unanswered",
        "warning",
        "medium",
    )
    assert (finding.evidence["requests"], finding.evidence["replies"]) == (360, 0)


def test_replies_that_stop_are_unanswered_from_then_on() -> None:
    book, how = hour()
    book.pings(0, 1200)
    book.pings(1200, HOUR, answered=False)
    (finding,) = all_of(book.case(**how))
    assert (finding.code, finding.confidence) == ("keepalive-unanswered", "high")
    assert finding.start_ms == ms(1200)


def test_a_one_way_export_says_nothing_about_replies() -> None:
    book = Book()
    book.row(0, HOUR, way=UP, octets=1e8)
    book.pings(0, HOUR, answered=False)
    assert codes(book.case(profile(keepalives=[PING]), span=(0, HOUR))) == []


def test_one_reply_in_three_is_unanswered_as_a_whole() -> None:
    book, how = hour()
    book.pings(0, HOUR, answered=False, a_record=1)
    for row in range(0, 360, 3):
        book.row(row * 10.0, row * 10.0, way=0, octets=84, packets=1, link="lte", inside="192.0.2.10",
                 outside="198.51.100.1", protocol=1, port=0, inside_port=0, flags=0)  # fmt: skip
    found = keepalive_unanswered.find(book.case(**how))
    assert [finding.evidence["replies"] for finding in found] == [120]


def test_twenty_times_too_often_is_excess_and_five_times_only_irregular() -> None:
    for interval, expected in ((0.5, ["keepalive-excess"]), (2.0, ["keepalive-irregular"])):
        book, how = hour()
        book.pings(0, HOUR, interval=interval, a_record=60)
        assert codes(book.case(**how)) == expected


def test_packets_of_1400_octets_at_the_right_cadence_are_excess() -> None:
    """1400 / 84 is 16.7 times the octets, packets just on budget."""
    book, how = hour()
    book.pings(0, HOUR, size=1400)
    (finding,) = all_of(book.case(**how))
    assert (finding.code, finding.severity) == ("keepalive-excess", "warning")
    assert finding.evidence["octets_times_budget"] == pytest.approx(16.7, rel=0.05)
    assert finding.evidence["packets_times_budget"] == pytest.approx(1.0, rel=0.05)


def test_an_excess_of_ten_minutes_is_found_within_its_minutes() -> None:
    book, how = hour()
    book.pings(0, 1200)
    book.pings(1200, 1800, interval=0.5, a_record=60)
    book.pings(1800, HOUR)
    (finding,) = keepalive_excess.find(book.case(**how))
    assert finding.start_ms is not None
    assert finding.end_ms is not None
    assert abs(finding.start_ms - ms(1200)) <= 60_000
    assert abs(finding.end_ms - ms(1800)) <= 60_000


@pytest.mark.parametrize(("interval", "irregular"), [(10.0, False), (11.5, False), (16.0, True), (6.0, True)])
def test_a_cadence_more_than_a_fifth_off_is_irregular(interval: float, irregular: bool) -> None:
    book, how = hour()
    book.pings(0, HOUR, interval=interval)
    found = all_of(book.case(**how))
    assert [finding.code for finding in found] == (["keepalive-irregular"] if irregular else [])
    for finding in found:
        assert finding.severity == "info"
        assert finding.evidence["cadence_s"] == pytest.approx(interval)


def test_a_check_by_tcp_takes_several_packets_and_is_one_keepalive() -> None:
    book, how = hour(Keepalive(destination="198.51.100.1", protocol="tcp", port=443, interval_s=30))
    for start in range(0, HOUR, 30):
        book.talk(start, start + 0.2, 300, 300, link="lte", inside="192.0.2.10", outside="198.51.100.1",
                  protocol=TCP, packets=5, inside_port=30_000 + start)  # fmt: skip
    assert codes(book.case(**how)) == []


def test_a_keepalive_to_a_resolver_is_not_the_hosts_own_questions_to_it() -> None:
    """During a failover the site asks the same resolver over the backup, far more often than the router checks."""
    book, how = hour(Keepalive(destination="198.51.100.53", protocol="udp", port=53, interval_s=10))
    same: dict[str, Any] = {
        "link": "lte",
        "outside": "198.51.100.53",
        "protocol": UDP,
        "port": 53,
        "flags": 0,
    }
    for start in range(0, HOUR, 10):
        book.talk(start, start, 84, 84, inside="192.0.2.10", packets=1, inside_port=20_000 + start, **same)
        for host in range(20 if 1200 <= start < 2400 else 0):
            book.talk(start + 1, start + 1, 200, 70, inside=f"192.168.40.{20 + host}", packets=1, **same)
    assert codes(book.case(**how)) == []


@pytest.mark.parametrize(("period", "expected"), [(5, []), (1000, ["keepalive-unanswered"])])
def test_nine_lost_replies_in_a_row_are_chance_only_on_a_path_that_loses_many(
    period: int, expected: list[str]
) -> None:
    """With one reply in five lost elsewhere, nine in a row come by chance 351 x 0.2^9 = 0.0002 times; six do 0.02."""
    for run, codes_wanted in ((9, ["keepalive-unanswered"]), (6, expected)):
        book, how = hour()
        book.pings(0, HOUR, answered=False, a_record=1)
        for beat in range(360):
            if not (100 <= beat < 100 + run or beat % period == 1):
                book.row(beat * 10.0, beat * 10.0, way=0, octets=84, packets=1, link="lte", inside="192.0.2.10",
                         outside="198.51.100.1", protocol=1, port=0, inside_port=0, flags=0)  # fmt: skip
        assert codes(book.case(**how)) == codes_wanted


@pytest.mark.parametrize(
    ("since", "missing"), [(1195, []), (1500, ["keepalive-missing"]), (None, ["keepalive-missing"])]
)
def test_what_was_lost_while_nothing_came_is_no_missing_keepalive(
    since: float | None, missing: list[str]
) -> None:
    """No message came from 20:00 to 35:00; long records that came later cover most of it, short ones of then are lost."""
    book, how = hour()
    book.pings(0, 1195, a_record=1)
    book.pings(2100, HOUR, a_record=1)
    case = book.case(**how)
    assert codes(case) == ["keepalive-missing"]
    loss = LossEvent(b"", 0, ms(2100), 20, 600, None if since is None else ms(since))
    assert codes(replace(case, coverage=replace(case.coverage, losses=(loss,)))) == missing


def test_what_a_restart_of_the_exporter_took_is_no_missing_keepalive() -> None:
    """It was away for 45 s from 1200 s on, and the record of the minute before was in its cache."""
    book, how = hour()
    book.pings(0, 1140)
    book.pings(1245, HOUR)
    case = book.case(**how)
    assert codes(case) == ["keepalive-missing"]
    restarted = replace(case, coverage=replace(case.coverage, restarts=((ms(1200), ms(1245)),)))
    assert codes(restarted) == []


def test_a_restart_hides_no_longer_silence() -> None:
    book, how = hour()
    book.pings(0, 1140)
    book.pings(1800, HOUR)
    case = book.case(**how)
    restarted = replace(case, coverage=replace(case.coverage, restarts=((ms(1200), ms(1245)),)))
    assert codes(restarted) == ["keepalive-missing"]
