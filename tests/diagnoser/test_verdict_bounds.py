"""What a verdict claims at its bounds: an export too poor to tell, cautions, room, short spells, busy lines."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.cautions import cautions
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.findings import cannot_tell, link_busy, link_full, not_the_link
from flowdiag.text.sentences import all_clear as wording_all_clear
from flowdiag.text.sentences import verdict as wording
from tests.diagnoser.building import MINUTE, Book, ms, profile

SITE = profile(backup=False)
HOUR = 3600
MBPS_MINUTE = 7_500_000


def hour(*rates: float, of: Any = SITE, window: tuple[float, float] | None = None, **coverage: Any) -> Case:
    """An hour of browsing; rates: of the download in minutes from the tenth on, in records of ten seconds."""
    book = Book()
    book.browse(0, HOUR)
    for minute, rate in enumerate(rates):
        for part in range(6):
            start = (10 + minute) * MINUTE + 10 * part
            book.row(start, start + 10, way=DOWN, octets=rate * MBPS_MINUTE / 6, outside=f"203.0.113.{60 + part}",
                     inside=f"192.168.40.{30 + part}", inside_port=9000 + minute)  # fmt: skip
    case = book.case(of, span=(0, HOUR - 1), window=window)
    return replace(case, coverage=replace(case.coverage, **coverage)) if coverage else case


# Cannot tell --------------------------------------------------------------------------------------------------------


def why(case: Case) -> str | None:
    found = cannot_tell.verdict(case)
    return None if found is None else found.sentence


def test_an_export_that_covers_half_of_the_time_is_enough() -> None:
    assert why(hour(window=(0, 7198))) is None
    assert wording.too_little(3599 / 7300) in (why(hour(window=(0, 7300))) or "")


@pytest.mark.parametrize(
    ("window", "outside"),
    [((-600, 0), True), ((-600, 0.001), False), ((3599, 7000), False), ((3599.001, 7000), True)],
)
def test_a_time_before_or_after_the_export_is_outside_of_it(
    window: tuple[float, float], outside: bool
) -> None:
    assert (wording.OUTSIDE in (why(hour(window=window)) or "")) == outside


def test_what_is_missing_is_told() -> None:
    assert wording.NO_LINKS in (why(replace(hour(), profile=SITE.model_copy(update={"link": []}))) or "")
    assert wording.NOTHING_READ in (why(hour(records=0)) or "")
    assert wording.NOTHING_READ in (why(hour(first_ms=None)) or "")
    assert wording.NOTHING_READ in (why(hour(last_ms=None)) or "")
    assert wording.LINKS_NOT_APART in (why(hour(links_apart=False)) or "")
    nowhere = hour()
    nowhere.flows.link[:] = -1
    assert wording.NOTHING_ON_LINKS in (why(nowhere) or "")
    nowhere.flows.link[0] = 0
    assert why(replace(nowhere)) is None


# Cautions -----------------------------------------------------------------------------------------------------------


def finding(code: str, severity: Any = "critical", **evidence: Any) -> Finding:
    return Finding(code, severity, "high", "summary", "client", evidence=evidence)


def said(case: Case, *findings: Finding) -> set[str]:
    return {*cautions(case, findings)}


@pytest.mark.parametrize(
    ("case", "findings", "expected"),
    [
        (hour(), (), set()),
        (hour(), (finding("export-gap", "warning"),), {wording.LOWER_BOUNDS}),
        (hour(), (finding("export-gap", "info"),), set()),
        (hour(lost_records=10, records=990), (), {wording.LOWER_BOUNDS}),
        (hour(lost_records=9, records=991), (), set()),
        (hour(), (finding("link-full", applications=["web"]),), {wording.PORTS_ARE_CONVENTIONS}),
        (hour(), (finding("inbound-flood"),), {wording.SECURITY_CAUTION}),
        (hour(), (finding("outbound-scan"),), {wording.SECURITY_CAUTION}),
        (
            hour(window=(0, 3539)),
            (),
            set(),
        ),  # the export's last record is of 3,598 s, and one may last a minute
        (hour(window=(0, 3541)), (), {wording.OPEN_RECORDS}),
    ],
)
def test_cautions_are_told_where_they_apply(
    case: Case, findings: tuple[Finding, ...], expected: set[str]
) -> None:
    known = {
        wording.LOWER_BOUNDS,
        wording.PORTS_ARE_CONVENTIONS,
        wording.SECURITY_CAUTION,
        wording.OPEN_RECORDS,
    }
    window = case if case.window_given else replace(case, window_ms=(ms(0), ms(3000)))
    assert said(window, *findings) & known == expected


def test_resolution_and_sampling_are_told_first() -> None:
    assert cautions(hour(), ())[0] == wording.resolution(60, True)
    assert wording.sampled(10.0) in said(hour(sampling=10.0))
    assert wording.sampled(1.0) not in said(hour())


# Room ---------------------------------------------------------------------------------------------------------------


def test_a_backup_counts_from_a_twentieth_of_its_rate_on() -> None:
    for share, links in ((0.05, [0, 1]), (0.049, [0])):
        book = Book()
        book.browse(0, HOUR)
        book.row(600, 660, way=UP, octets=5 * share * MBPS_MINUTE, link="lte")
        found = not_the_link.room(book.case(span=(0, HOUR - 1)))
        assert sorted(place.link for place in found) == links


def test_the_fullest_direction_stands_for_a_link_and_the_fullest_link_first() -> None:
    book = Book()
    book.row(600, 660, way=DOWN, octets=10 * MBPS_MINUTE)  # a tenth of 100
    book.row(600, 660, way=UP, octets=4 * MBPS_MINUTE)  # a fifth of 20
    book.row(900, 960, way=DOWN, octets=15 * MBPS_MINUTE, link="lte")  # half of 30
    book.row(900, 960, way=UP, octets=2.5 * MBPS_MINUTE, link="lte")  # half of 5
    found = not_the_link.room(book.case(span=(0, HOUR - 1)))
    assert [(place.link, place.direction, place.share) for place in found] == [
        (1, DOWN, pytest.approx(0.5)), (0, UP, pytest.approx(0.2))
    ]  # fmt: skip
    assert (found[1].peak_mbps, found[1].capacity_mbps, found[1].peak_ms) == (pytest.approx(4.0), 20, ms(600))


@pytest.mark.parametrize(("rate", "room"), [(69.8, "enough"), (70.0, "little")])
def test_a_line_at_the_busy_threshold_had_little_room(rate: float, room: str) -> None:
    assert not_the_link.verdict(hour(rate)).room == room


@pytest.mark.parametrize(("rates", "close"), [((62.8,), False), ((63.0,), True)])
def test_within_a_tenth_of_busy_bursts_may_have_filled_the_line(
    rates: tuple[float, ...], close: bool
) -> None:
    """A minute alone is held by nobody: six transfers of ten seconds, one after another."""
    reasons = not_the_link.verdict(hour(*rates)).reasons
    assert any(wording_all_clear.nearly_busy(60.0) in reason for reason in reasons) == close


@pytest.mark.parametrize(("resolution_s", "hidden"), [(60, False), (61, True)])
def test_records_of_more_than_a_minute_may_hide_bursts(resolution_s: int, hidden: bool) -> None:
    assert (not_the_link.verdict(hour(resolution_s=resolution_s)).confidence == "medium") == hidden


@pytest.mark.parametrize(
    ("window", "touched"), [((600, 1200), True), ((0, 300), False), ((0, 301), True), ((420, 900), False)]
)
def test_a_restart_in_the_time_is_a_doubt(window: tuple[float, float], touched: bool) -> None:
    case = hour(window=window, restarts=((ms(300), ms(420)), (ms(900), ms(910))))
    assert any("restart" in reason for reason in not_the_link.verdict(case).reasons) == touched


@pytest.mark.parametrize(("silent", "doubt"), [(3, False), (4, True)])
def test_a_twentieth_of_the_time_may_be_missing(silent: int, doubt: bool) -> None:
    heard = np.ones(60, np.bool_)
    heard[30 : 30 + silent] = False
    said = not_the_link.verdict(hour(heard=heard, window=(0, HOUR))).reasons
    assert any(wording.too_little_reason(1 - silent / 60) in reason for reason in said) == doubt


# Full and busy ------------------------------------------------------------------------------------------------------


def spells(count: int) -> list[Finding]:
    """Short findings of so many spells of forty seconds, one each four minutes."""
    book = Book()
    book.browse(0, HOUR)
    for number in range(count):
        for part in range(4):
            start = 120 + 240 * number + 10 * part
            book.row(start, start + 10, way=DOWN, octets=98 * MBPS_MINUTE / 6, inside_port=9000 + number)
    return link_full.find(book.case(SITE, span=(0, HOUR), resolution_s=10))


def test_six_short_spells_are_told_one_by_one_and_seven_as_one() -> None:
    six = spells(6)
    assert [(one.evidence["full_seconds"], "spells" in one.evidence) for one in six] == [(40, False)] * 6
    (seven,) = spells(7)
    assert (seven.evidence["full_seconds"], seven.evidence["longest_seconds"]) == (280, 40)
    assert len(seven.evidence["spells"]) == 7
    assert (seven.start_ms, seven.end_ms) == (ms(120), ms(120 + 240 * 6 + 40))
    (nine,) = spells(9)
    assert len(nine.evidence["spells"]) == 8  # of more the first eight
    assert nine.severity == "info"


def test_a_busy_line_had_room_where_it_never_reached_its_limit() -> None:
    def short_of_full(*rates: float, **more: Any) -> list[bool]:
        return [one.evidence["short_of_full"] for one in link_busy.find(hour(*rates, **more))]

    assert short_of_full(*[75.0] * 12) == [True]
    assert short_of_full(*[75.0] * 12, resolution_s=61) == [False]
    assert short_of_full(*[75.0] * 6, 89.8, *[75.0] * 6) == [True]
    assert short_of_full(*[75.0] * 6, 90.0, *[75.0] * 6) == [False]
    assert short_of_full(*[69.8] * 12) == []


def test_evidence_of_a_full_time_has_its_full_and_busy_minutes() -> None:
    (one,) = link_full.find(hour(95, 95, 95, 80, 95))
    assert one.evidence["full_minutes"] == 4
    assert one.evidence["busy_minutes"] == 5
    assert one.evidence["mean_mbps"] == pytest.approx(92.084, abs=0.01)
    assert one.evidence["mean_share_of_plan"] == pytest.approx(0.9208, abs=1e-4)
    assert "over_plan" not in one.evidence


@pytest.mark.parametrize(
    ("rate", "variable", "over", "offered"),
    [
        (104.8, False, False, False),
        (105.2, False, True, True),
        (105.2, True, False, False),
        (116.0, True, False, False),
    ],
)
def test_more_than_the_plan_is_said_to_be_over_it(
    rate: float, variable: bool, over: bool, offered: bool
) -> None:
    link = SITE.link[0].model_copy(update={"variable": variable})
    site = SITE.model_copy(update={"link": [link]})
    (one,) = link_full.find(hour(*[rate] * 5, of=site))
    assert ("over_plan" in one.evidence, "maybe_offered" in one.evidence) == (over, offered)


def test_metered_behind_the_queue_only_far_more_is_over_the_plan() -> None:
    for rate, over in ((114.8, False), (115.2, True)):
        (one,) = link_full.find(hour(*[rate] * 5, arrived=(True,)))
        assert ("over_plan" in one.evidence, "maybe_offered" in one.evidence) == (over, False)
