"""Failovers, flapping and leaks: who carried the site when, told from the records."""

from __future__ import annotations

from typing import Any

import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.findings import backup_leak, flapping, on_backup
from flowdiag.diagnoser.signals.failovers import failovers
from flowdiag.site.profile import Link
from tests.diagnoser.building import PING, UDP, Book, ms, profile

HOUR = 3600


def found(case: Case) -> list[Finding]:
    return [finding for finder in (flapping, on_backup, backup_leak) for finding in finder.find(case)]


def codes(case: Case) -> list[str]:
    return [finding.code for finding in found(case)]


def failover(begin: float = 1200, end: float = 2400, gap: float = 4.0) -> Book:
    book = Book()
    book.browse(0, begin)
    book.browse(begin + gap, end, link="lte")
    book.browse(end, HOUR)
    return book


def test_a_failover_has_the_times_gap_and_octets_of_its_records() -> None:
    (finding,) = found(failover().case(span=(0, HOUR)))
    assert (finding.code, finding.severity, finding.link) == ("on-backup", "critical", "lte")
    assert (finding.start_ms, finding.end_ms) == (ms(1204), ms(2400))
    # The last primary record runs from 1198 to 1199; the first on the backup starts at 1204.
    assert finding.evidence["gap_s"] == 5.0
    # Conversations at 1204, 1206 ... 2398: 598 of them, 20,000 octets down and 1,000 up.
    assert finding.evidence["octets_down"] == 598 * 20_000
    assert finding.evidence["octets_up"] == 598 * 1000
    assert not finding.evidence["still_on_backup"]
    assert not finding.evidence["backup_was_full"]


def test_shares_of_hosts_add_up_and_labels_are_named() -> None:
    (finding,) = found(failover().case(span=(0, HOUR)))
    hosts = finding.evidence["hosts"]
    archive = next(host for host in hosts if host["address"] == "192.168.40.20")
    assert archive["label"] == "imaging archive"
    # Six hosts in turn, 598 conversations: 99 or 100 each.
    assert archive["share"] == pytest.approx(1 / 6, abs=0.002)
    assert [application["application"] for application in finding.evidence["applications"]] == ["web"]


def test_a_full_backup_is_said() -> None:
    book = failover()
    book.talk(1300, 1900, 600 * 28e6 / 8, 1e6, link="lte")  # 28 of 30 Mbit/s for ten minutes
    (finding,) = found(book.case(span=(0, HOUR)))
    assert finding.evidence["backup_was_full"]
    assert 9 <= finding.evidence["full_minutes_down"] <= 11
    assert finding.evidence["full_minutes_up"] == 0


def test_a_site_that_never_came_back_is_still_on_its_backup() -> None:
    book = Book()
    book.browse(0, 1200)
    book.browse(1203, HOUR, link="lte")
    (finding,) = found(book.case(span=(0, HOUR)))
    assert finding.evidence["still_on_backup"]
    assert (finding.start_ms, finding.end_ms) == (ms(1203), ms(HOUR))


def test_a_site_that_was_on_its_backup_before_the_export_has_no_gap() -> None:
    book = Book()
    book.browse(0, 1200, link="lte")
    book.browse(1203, HOUR)
    (finding,) = found(book.case(span=(0, HOUR)))
    assert finding.evidence["began_before_export"]
    assert finding.evidence["gap_s"] is None
    assert finding.end_ms == ms(1203)


def test_a_trickle_of_checks_on_the_failed_primary_does_not_hide_the_failover() -> None:
    book = failover()
    for start in range(0, HOUR, 10):
        book.talk(start, start + 0.1, 120, 70, protocol=UDP, port=53, packets=1, inside="192.0.2.10",
                  outside="198.51.100.200", inside_port=30_000 + start)  # fmt: skip
    (finding,) = found(book.case(span=(0, HOUR)))
    assert finding.code == "on-backup"
    assert abs((finding.start_ms or 0) - ms(1204)) <= 10_000
    assert abs((finding.end_ms or 0) - ms(2400)) <= 10_000


def test_flows_that_finish_on_the_backup_are_lingering_and_no_leak() -> None:
    book = failover()
    for start in range(2000, 3400, 60):  # one call, a record a minute, from the failover until long after it
        book.talk(
            start, start + 60, 600_000, 600_000, link="lte", protocol=UDP, inside_port=16_384, port=3480
        )
    (finding,) = found(book.case(span=(0, HOUR)))
    assert finding.code == "on-backup"
    assert finding.end_ms == ms(2400)


def test_one_host_over_the_backup_while_the_primary_works_is_a_leak() -> None:
    book = Book()
    book.browse(0, HOUR)
    for start in range(0, HOUR, 20):
        book.talk(
            start, start + 5, 95_000, 5000, link="lte", inside="192.168.40.33", inside_port=2000 + start
        )
    (finding,) = found(book.case(profile(allowance_gb=50), span=(0, HOUR)))
    assert (finding.code, finding.severity, finding.link) == ("backup-leak", "warning", "lte")
    # 180 conversations of 100,000 octets in an hour; 24 times that a day, thirty times that a month.
    assert finding.evidence["octets"] == 18_000_000
    assert finding.evidence["octets_a_day"] == pytest.approx(18e6 * 24, rel=0.02)
    assert finding.evidence["month_gb"] == pytest.approx(12.96, rel=0.02)
    # The site: 1,800 conversations of 21,000 octets on the primary.
    assert finding.evidence["leak_share"] == pytest.approx(18e6 / (18e6 + 1800 * 21_000), rel=0.01)
    assert finding.evidence["hosts"] == [{"address": "192.168.40.33", "label": None, "share": 1.0}]


def test_a_leak_beyond_the_allowance_is_critical() -> None:
    book = Book()
    book.browse(0, HOUR)
    for start in range(0, HOUR, 20):
        book.talk(
            start, start + 5, 95_000, 5000, link="lte", inside="192.168.40.33", inside_port=2000 + start
        )
    (finding,) = found(book.case(profile(allowance_gb=10), span=(0, HOUR)))
    assert finding.severity == "critical"
    assert finding.evidence["passes_allowance"]


def test_a_heavy_leak_at_a_quiet_hour_is_no_failover() -> None:
    """The backup carries nearly all octets, the primary a conversation every eight seconds."""
    book = Book()
    book.browse(0, HOUR, every=8, down=3000)
    for start in range(600, 3000, 60):
        book.talk(start, start + 60, 15e6, 3e5, link="lte", inside="192.168.40.33", inside_port=4000)
    assert codes(book.case(span=(0, HOUR))) == ["backup-leak"]


def test_only_ipv6_leaking_is_named() -> None:
    book = Book()
    book.browse(0, HOUR)
    for number, start in enumerate(range(0, HOUR, 10)):
        book.talk(start, start + 3, 60_000, 3000, link="lte", inside="2001:db8:40::20",
                  outside=f"2001:db8:ffff::{number % 9 + 1:x}", inside_port=3000 + start)  # fmt: skip
    (finding,) = found(book.case(span=(0, HOUR)))
    assert (finding.code, finding.evidence["only"]) == ("backup-leak", "IPv6")


def test_small_chores_on_the_backup_are_no_leak() -> None:
    """Time and names of the router, a heartbeat every minute: 0.3 MB in an hour."""
    book = Book()
    book.browse(0, HOUR)
    for start in range(0, HOUR, 60):
        book.talk(start, start + 1, 2000, 2000, link="lte", inside="192.0.2.10", outside="203.0.113.88")
        book.talk(start + 5, start + 5, 76, 76, link="lte", inside="192.0.2.10", outside="203.0.113.123",
                  protocol=UDP, port=123, packets=1)  # fmt: skip
    assert codes(book.case(span=(0, HOUR))) == []


def test_an_unlisted_keepalive_and_strays_on_the_backup_are_nothing() -> None:
    book = Book()
    book.browse(0, HOUR)
    book.pings(0, HOUR, interval=5)
    for start in range(0, HOUR, 3):
        book.row(start, start, way=DOWN, octets=44, packets=1, link="lte", inside="192.0.2.10", flags=2,
                 outside=f"198.18.{start % 200}.7", port=40_000, inside_port=22, opened_inside=0)  # fmt: skip
    assert codes(book.case(span=(0, HOUR))) == []


def test_three_failovers_within_the_hour_are_flapping_with_their_times() -> None:
    book = Book()
    edges = [600, 780, 1000, 1200, 1500, 1700]
    book.browse(0, 600)
    for away, back, following in zip(edges[::2], edges[1::2], [*edges[2::2], HOUR], strict=True):
        book.browse(away + 2, back, link="lte")
        book.browse(back, following)
    case = book.case(span=(0, HOUR))
    (finding,) = found(case)
    assert (finding.code, finding.severity, finding.evidence["failovers"]) == ("flapping", "critical", 3)
    assert (finding.start_ms, finding.end_ms) == (ms(602), ms(1700))
    assert finding.evidence["switches"][0] == {
        "from": "2026-03-02T10:10:02+00:00",
        "to": "2026-03-02T10:13:00+00:00",
        "gap_s": 3.0,
    }


def test_two_failovers_in_an_hour_are_two_findings() -> None:
    book = Book()
    book.browse(0, 600)
    book.browse(602, 900, link="lte")
    book.browse(900, 2400)
    book.browse(2402, 2700, link="lte")
    book.browse(2700, HOUR)
    assert codes(book.case(span=(0, HOUR))) == ["on-backup", "on-backup"]


def test_short_stays_prove_each_other() -> None:
    """Forty seconds each, a conversation every four seconds: alone any of them might be chance."""
    book = Book()
    book.browse(0, 600, every=4)
    for away in (600, 900, 1200, 1500):
        book.browse(away + 2, away + 40, link="lte", every=4)
        book.browse(away + 40, away + 300, every=4)
    book.browse(1800, HOUR, every=4)
    assert codes(book.case(span=(0, HOUR))) == ["flapping"]


def test_in_a_short_export_what_lies_before_and_after_it_is_no_silence_of_the_primary() -> None:
    """A hundred seconds within four minutes of the grid: on the backup for forty, in use by either in every bin."""
    book = Book()
    book.browse(50, 80)
    book.browse(82, 120, link="lte")
    book.browse(120, 150)
    (finding,) = found(book.case(span=(0, 240)))
    assert (finding.code, finding.start_ms, finding.end_ms) == ("on-backup", ms(82), ms(120))


def test_a_second_primary_that_takes_over_is_no_failover() -> None:
    cable = Link(name="cable", interfaces=[4], down_mbps=100, up_mbps=20)
    book = Book()
    book.browse(0, 1200)
    book.browse(1203, HOUR, link="cable")
    book.pings(0, HOUR)
    assert codes(book.case(profile(keepalives=[PING], extra=[cable]), span=(0, HOUR))) == []


def test_a_pause_at_noon_is_not_taken_for_a_failover() -> None:
    """Nothing on the primary for ten minutes, and one update check over the backup meanwhile."""
    book = Book()
    book.browse(0, 1200, every=30)
    book.browse(1800, HOUR, every=30)
    book.talk(1500, 1503, 9000, 3000, link="lte", inside="192.0.2.10", outside="203.0.113.88")
    assert codes(book.case(span=(0, HOUR))) == []


def test_without_interface_numbers_nothing_is_said() -> None:
    assert codes(failover().case(span=(0, HOUR), links_apart=False)) == []


def test_one_way_exports_are_judged_by_their_uploads() -> None:
    book = Book()
    for start in range(0, HOUR, 2):
        link = "lte" if 1200 <= start < 2400 else "fibre"
        book.row(start, start + 1, way=UP, octets=3000, link=link, outside=f"203.0.113.{start // 2 % 40 + 1}")
    assert codes(book.case(span=(0, HOUR))) == ["on-backup"]


@pytest.mark.parametrize(("sent_by", "stays"), [("lte", 1), ("fibre", 0)])
def test_where_requests_went_out_by_the_main_line_all_along_the_site_was_not_on_its_backup(
    sent_by: str, stays: int
) -> None:
    """Twenty minutes of answers by the backup alone: a failover only if requests left by it too."""
    book = Book()
    for start in range(0, HOUR, 2):
        away = 1200 <= start < 2400
        how: dict[str, Any] = {"outside": f"203.0.113.{start // 2 % 40 + 1}", "inside_port": 20_000 + start}
        book.row(start, start + 1, way=UP, octets=1000, link=sent_by if away else "fibre", **how)
        book.row(start, start + 1, way=DOWN, octets=20_000, link="lte" if away else "fibre", **how)
    assert len(failovers(book.case(span=(0, HOUR))).episodes) == stays


@pytest.mark.parametrize("greater", ["first", "second", "neither"])
@pytest.mark.parametrize(("octets", "returned"), [(4000, True), (3999, False)])
def test_a_return_is_one_from_a_fifth_of_what_the_backup_carried_at_its_least(
    octets: float, returned: bool, greater: str
) -> None:
    """Five conversations of 20,000 octets in each ten seconds on the backup, of four times as many in the greater stay;
    two minutes between the stays the primary has as many with one place, of a fifth or of one octet less."""
    book = Book()
    book.browse(0, 1200)
    book.browse(1200, 1500, link="lte", down=80_000 if greater == "first" else 20_000)
    for start in range(1500, 1620, 2):
        book.talk(start, start + 1, octets, octets / 20, outside="198.51.100.200", inside_port=10_000 + start)
    book.browse(1620, 1920, link="lte", down=80_000 if greater == "second" else 20_000)
    book.browse(1920, HOUR)
    stays = [(stay.start_ms, stay.end_ms) for stay in failovers(book.case(span=(0, HOUR))).episodes]
    assert stays == ([(ms(1200), ms(1500)), (ms(1620), ms(1920))] if returned else [(ms(1200), ms(1920))])


def test_a_gap_that_is_felt_belongs_to_the_stop_of_the_main_line() -> None:
    """The last primary record ends at 10:19:59; after 90 s the first on the backup begins."""
    (finding,) = found(failover(gap=89.0).case(span=(0, HOUR)))
    assert finding.evidence["gap_s"] == 90.0
    assert finding.client.startswith(
        "Your main line stopped at 10:20; nothing was carried for 90 seconds, then the site ran on its backup line until "
        "10:40."
    )
    (soon,) = found(failover().case(span=(0, HOUR)))
    assert soon.client.startswith(
        "Your main line stopped at 10:20; the site ran on its backup line until 10:40."
    )


def test_a_named_device_that_leaks_is_named_and_its_share_is_one_figure() -> None:
    book = Book()
    book.browse(0, HOUR)
    book.row(600, 1800, way=UP, link="lte", octets=4_220_000, inside="192.168.40.20")
    case = book.case(span=(0, HOUR))
    (finding,) = found(case)
    assert finding.client.startswith("Traffic of your imaging archive uses the backup line although ")
    # 1,800 conversations of 20,000 and 1,000 octets, and the leak: 4.22 of 42.0 MB.
    assert "(10% of the site's traffic)" in finding.summary
    book.row(600, 1800, way=UP, link="lte", octets=4_220_000, inside="192.168.40.21", inside_port=50_002)
    (finding,) = found(book.case(span=(0, HOUR)))
    assert finding.client.startswith("Part of your traffic uses the backup line although ")
