"""What findings have to do with each other: spells told together, what explains what, what follows an outage."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.diagnose import in_order
from flowdiag.diagnoser.findings import backup_leak, link_full, on_backup
from flowdiag.diagnoser.signals.cut_off import attempts_in
from flowdiag.diagnoser.signals.flat_top import Level
from flowdiag.diagnoser.signals.low_levels import minutes_of
from flowdiag.diagnoser.signals.moving_ceiling import together
from flowdiag.diagnoser.verdict import decide, touches
from tests.diagnoser.building import Book, ms, profile
from tests.diagnoser.test_client_part import MBPS_MINUTE, MINUTE, finding, full, hour

HOUR = 3600
SITE = profile(backup=False)


def test_more_spells_than_anybody_reads_are_one_finding_with_its_spells() -> None:
    """Seven times five full minutes, ten apart: groups of those at most a quarter of an hour apart."""
    book = Book()
    book.browse(0, 3 * HOUR)
    for number in range(7):
        for minute in range(5):
            start = (20 + 15 * number + minute) * MINUTE
            book.row(start, start + 59.999, way=UP, octets=19.5 * MBPS_MINUTE)
    (one,) = link_full.find(book.case(SITE, span=(0, 3 * HOUR)))
    spells = one.evidence["spells"]
    assert (spells[0]["from"], spells[0]["to"]) == ("2026-03-02T10:20:00+00:00", "2026-03-02T10:25:00+00:00")
    assert (spells[-1]["from"], len(spells)) == ("2026-03-02T11:50:00+00:00", 7)
    assert (one.start_ms, one.end_ms) == (ms(20 * MINUTE), ms(115 * MINUTE))
    assert one.evidence["full_minutes"] == 35


@pytest.mark.parametrize(("begin", "told"), [(15, True), (14, False)])
def test_what_lies_mostly_within_a_stay_on_the_backup_is_explained_by_it(begin: float, told: bool) -> None:
    """The download is full from 10:10 to 10:20; half of it before the stay is half without it."""
    stay = finding("on-backup", begin, 40, link="lte", client="Your line was down.")
    sentence = decide(hour(), [stay, full(10, 20, "down")]).sentence
    assert ("Besides" in sentence) == told


@pytest.mark.parametrize(
    ("start", "end", "inside"),
    [
        (-10, 0, False),
        (-10, 0.001, True),
        (59.999, 90, True),
        (60, 90, False),
        (0, 0, True),
        (60, 60, False),
        (30, 30, True),
    ],
)
def test_a_finding_touches_the_window_by_a_moment(start: float, end: float, inside: bool) -> None:
    case = hour()
    assert touches(case, finding("link-full", start, end)) == inside


def test_what_lies_a_day_away_is_context_and_further_away_nothing() -> None:
    case = hour()  # 10:00 to 11:00
    day = 24 * 60
    for begin, end, kept in (
        (60 + day - 0.001, 60 + day + 10, True), (60 + day, 60 + day + 10, False),
        (-day - 10, -day + 0.001, True), (-day - 10, -day, False),
    ):  # fmt: skip
        found = in_order(case, [finding("link-full", begin, end)])
        assert [one.severity for one in found] == (["info"] if kept else [])


def test_findings_come_by_severity_and_then_by_time() -> None:
    some = [
        finding("b", 30, 40, severity="warning"), finding("a", 20, 30), finding("c", 10, 20, severity="info"),
        finding("a", 10, 30, link="lte"), finding("a", 10, 30),
    ]  # fmt: skip
    assert [(one.code, one.link) for one in in_order(hour(), some)] == [
        ("a", "fibre"), ("a", "lte"), ("a", "fibre"), ("b", "fibre"), ("c", "fibre")
    ]  # fmt: skip


@pytest.mark.parametrize(("dark", "followed"), [(200, True), (330, False)])
def test_a_failover_that_begins_within_two_minutes_of_an_outages_end_follows_it(
    dark: float, followed: bool
) -> None:
    """Nothing from 1200 on for so long; the stay on the backup begins at 1400 or two minutes and ten after the outage."""
    book = Book()
    book.browse(0, 1200)
    if not followed:
        book.browse(1200 + dark, 1200 + dark + 4)
    book.browse(1200 + dark + (130 if not followed else 0), 2400, link="lte")
    book.browse(2400, HOUR)
    for number in range(40):
        start = 1202 + 4 * number
        book.row(start, start, way=UP, octets=60, packets=1, flags=2, link=None, egress=0, ingress=1, inside_port=number,
                 outside=f"203.0.113.{1 + number % 5}")  # fmt: skip
    found = on_backup.find(book.case(span=(0, HOUR)))
    assert [one.evidence["followed_an_outage"] for one in found] == [followed]


def test_a_site_of_one_version_leaks_nothing_only() -> None:
    book = Book()
    for start in range(0, HOUR, 2):
        how: dict[str, Any] = {"inside": "2001:db8:40::20", "outside": f"2001:db8:ffff::{start % 40 + 1:x}"}
        book.talk(start, start + 1, 20_000, 1000, inside_port=20_000 + start, **how)
        if start % 20 == 0:
            book.talk(start, start + 5, 95_000, 5000, link="lte", inside="2001:db8:40::33", inside_port=2000 + start,
                      outside="2001:db8:ffff::99")  # fmt: skip
    (one,) = backup_leak.find(book.case(span=(0, HOUR)))
    assert one.evidence["only"] is None


def test_what_comes_in_is_no_attempt_to_get_out() -> None:
    book = Book()
    book.row(100, 101, way=DOWN, octets=500, egress=0, ingress=2)
    book.row(100, 101, way=UP, octets=500, egress=0, ingress=1, link=None, inside_port=7)
    case = book.case(span=(0, 300))
    assert case.flows.inside_port[attempts_in(case, [(ms(90), ms(120))])].tolist() == [7]


def test_a_level_is_as_long_as_its_minutes_begun() -> None:
    book = Book()
    book.browse(0, 600)
    case = book.case(SITE, span=(0, 599))
    assert minutes_of(case, Level(2, 9, 40.0, 0.0)) == 7
    short = replace(case, usage=replace(case.usage, window_ms=10_000))
    assert [minutes_of(short, Level(0, last, 40.0, 0.0)) for last in (6, 7, 12)] == [1, 2, 2]


def moving(*rows: tuple[int, float, float, float], begin: float = 0, end: float = 60) -> Any:
    """Together, of records by transfer, from, to and octets."""
    book = Book()
    for transfer, start, stop, octets in rows:
        book.row(
            start, stop, way=DOWN, octets=octets, inside=f"192.168.40.{20 + transfer}", inside_port=transfer
        )
    flows = book.case(SITE).flows
    return together(flows, np.arange(len(flows)), ms(begin), ms(end))


def test_three_transfers_of_two_records_of_five_seconds_are_compared() -> None:
    six = [
        (transfer, start, start + 30, 1000 + 500 * (start > 0)) for transfer in range(3) for start in (0, 30)
    ]
    proof = moving(*six)
    assert (proof.transfers, proof.hosts, proof.destinations) == (3, 3, 1)
    assert proof.common == pytest.approx(1.0)
    # By octets 1000 and 1500 at rates of which the logarithms lie ln 1.5 apart.
    assert proof.moved == pytest.approx(np.log(1.5) * np.sqrt(0.4 * 0.6))
    assert moving(*six[:4]) is None  # two
    assert moving(*six[:5]) is None  # the third has one record
    assert moving(*six, end=59.999) is None  # the second ones end after the time
    assert moving(*six, begin=0.001) is None
    short = [(0, 0, 4.999, 100), (0, 30, 34.999, 100)]
    assert moving(*six[2:], *short) is None


def test_a_record_beside_which_nobody_ran_for_a_part_is_not_compared() -> None:
    rows = [(transfer, start, start + 20, 1000) for transfer in range(3) for start in (0, 20)]
    alone = [*rows, (0, 40, 60, 1000)]
    assert moving(*alone).moved == pytest.approx(0.0, abs=1e-9)
    # The last record of the first transfer has other octets, and nobody beside it: nothing moves.
    assert moving(*rows, (0, 40, 60, 9000)).moved == pytest.approx(0.0, abs=1e-9)
    assert moving(*rows, (0, 40, 60, 9000), (1, 40, 60, 9000)).moved > 0.5
