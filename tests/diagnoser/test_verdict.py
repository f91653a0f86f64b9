"""Which finding is the verdict, and what is said where none is. The order is the project's own rule."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.diagnose import CONTEXT_MS, in_order
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.signals.room import room
from flowdiag.diagnoser.verdict import decide
from tests.diagnoser.building import Book, ms, profile

MBPS_MINUTE = 7_500_000
MINUTE = 60
DAY = 86_400
IN_ORDER = (
    "outage", "flapping", "on-backup", "inbound-flood", "link-full", "below-plan", "link-busy",
    "unanswered-connections", "outbound-scan",
)  # fmt: skip


def quiet(**more: Any) -> Case:
    """An hour of browsing; one minute of it at 41 Mbit/s of 100, in pages that come by tens of seconds."""
    book = Book()
    book.browse(0, 60 * MINUTE)
    for second in range(60):
        part = 1.6 if second // 10 % 2 else 0.4
        book.row(
            30 * MINUTE + second, 30 * MINUTE + second + 1, way=DOWN, octets=part * 40.9 * MBPS_MINUTE / 60,
            inside_port=30_000 + second,
        )  # fmt: skip
    more.setdefault("window", (0, 60 * MINUTE))
    return book.case(more.pop("of", profile(backup=False)), **more)


def finding(code: str, begin: float = 10, end: float = 20, **more: Any) -> Finding:
    """A finding with times in minutes."""
    return Finding(
        code, more.pop("severity", "warning"), "high", f"{code} summary", f"{code} for the client",
        start_ms=ms(begin * MINUTE), end_ms=ms(end * MINUTE), **more,
    )  # fmt: skip


@pytest.mark.parametrize("place", range(len(IN_ORDER) - 1))
def test_the_first_kind_in_order_that_holds_is_the_verdict(place: int) -> None:
    findings = [finding(code) for code in reversed(IN_ORDER[place:])]
    verdict = decide(quiet(), findings)
    assert verdict.code == IN_ORDER[place]
    assert verdict.sentence == f"{IN_ORDER[place]} for the client"
    assert verdict.finding is findings[-1]


def test_a_scan_that_fills_a_link_comes_before_the_full_link() -> None:
    fills = finding("outbound-scan", evidence={"fills_link": True})
    assert decide(quiet(), [finding("link-full"), fills]).code == "outbound-scan"


@pytest.mark.parametrize(
    ("evidence", "verdict"),
    [
        ({"leak_share": 0.05, "fills_backup": False}, "backup-leak"),
        ({"leak_share": 0.049, "fills_backup": False}, "link-busy"),
        ({"leak_share": 0.01, "fills_backup": True}, "backup-leak"),
    ],
)
def test_a_leak_matters_from_a_twentieth_of_the_traffic_or_when_it_fills_the_backup(
    evidence: dict[str, Any], verdict: str
) -> None:
    assert decide(quiet(), [finding("link-busy"), finding("backup-leak", evidence=evidence)]).code == verdict


def test_keepalive_faults_and_small_leaks_do_not_explain_a_complaint() -> None:
    small = [finding("keepalive-missing"), finding("backup-leak", evidence={"leak_share": 0.01})]
    assert decide(quiet(), small).code == "not-the-link"


def test_in_an_audit_they_are_the_verdict() -> None:
    small = [finding("backup-leak", evidence={"leak_share": 0.01}), finding("keepalive-missing")]
    assert decide(quiet(reported=None), small).code == "keepalive-missing"
    assert decide(quiet(reported=None), small[:1]).code == "backup-leak"


def test_findings_that_never_explain_anything_are_no_verdict() -> None:
    for code in ("single-host", "export-gap", "realtime-contention", "keepalive-irregular"):
        assert decide(quiet(reported=None), [finding(code)]).code == "not-the-link"


def test_what_lies_outside_the_window_cannot_be_the_verdict() -> None:
    case = quiet(window=(30 * MINUTE, 60 * MINUTE))
    assert decide(case, [finding("link-full", 10, 20)]).code == "not-the-link"
    assert decide(case, [finding("link-full", 10, 31)]).code == "link-full"


def test_of_several_full_times_the_one_that_covers_most_of_the_window_is_told() -> None:
    case = quiet(window=(0, 60 * MINUTE))
    short = finding("link-full", 0, 5, link="fibre", direction="down")
    long = finding("link-full", 20, 50, link="fibre", direction="down")
    assert decide(case, [short, long]).finding is long


def test_of_equals_the_upload_is_told_since_it_hurts_both_ways() -> None:
    down = finding("link-full", link="fibre", direction="down")
    up = finding("link-full", link="fibre", direction="up")
    assert decide(quiet(), [down, up]).finding is up


def test_not_the_link_tells_the_room_rounded_up() -> None:
    # 40.9 and 0.08 of browsing: 40.98 of 100 Mbit/s, "never above 41%".
    verdict = decide(quiet(), [])
    assert verdict.code == "not-the-link"
    assert "never used above 41%" in verdict.sentence
    assert verdict.confidence == "high"
    assert "Wi-Fi" in verdict.sentence


def test_the_room_is_that_of_the_fullest_direction() -> None:
    book = Book()
    book.browse(0, 60 * MINUTE)
    book.row(30 * MINUTE, 31 * MINUTE, way=UP, octets=10 * MBPS_MINUTE)
    found = room(book.case(profile(backup=False)))
    assert [(place.direction, round(place.share, 3)) for place in found] == [(UP, 0.5)]
    assert found[0].peak_ms == ms(30 * MINUTE)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"resolution_s": 1800}, "1,800 seconds"),
        ({"losses": [float(at) for at in range(100, 3000, 100)]}, "lost"),
    ],
)
def test_what_could_hide_something_lowers_the_confidence_of_not_the_link(
    more: dict[str, Any], said: str
) -> None:
    verdict = decide(quiet(**more), [])
    assert verdict.confidence != "high"
    assert any(said in reason for reason in verdict.reasons)


def test_cannot_tell_when_less_than_half_of_the_window_is_covered() -> None:
    book = Book()
    book.browse(0, 20 * MINUTE)
    case = book.case(profile(backup=False), window=(0, 60 * MINUTE))
    assert decide(case, []).code == "cannot-tell"
    assert decide(case, [finding("link-full")]).code == "link-full"


def test_cannot_tell_when_the_window_lies_outside_of_the_export() -> None:
    assert decide(quiet(window=(3 * 3600, 4 * 3600)), []).code == "cannot-tell"


def test_cannot_tell_when_links_cannot_be_told_apart() -> None:
    verdict = decide(quiet(of=profile(), links_apart=False), [])
    assert verdict.code == "cannot-tell"
    assert "interface numbers" in verdict.reasons[0]


def test_cannot_tell_when_nothing_crosses_a_link_of_the_profile() -> None:
    book = Book()
    book.row(0, 3600, way=UP, octets=1e6, link=None)
    assert decide(book.case(profile(backup=False)), []).code == "cannot-tell"


def test_findings_outside_the_window_become_context_and_far_ones_go() -> None:
    case = quiet(window=(30 * MINUTE, 60 * MINUTE))
    inside = finding("link-full", 40, 50, severity="critical")
    before = finding("link-full", 0, 10, severity="critical")
    far = finding("link-full", 60 + DAY / 60 + 1, 60 + DAY / 60 + 9, severity="critical")
    assert CONTEXT_MS == DAY * 1000
    assert in_order(case, [far, before, inside]) == (inside, replace(before, severity="info"))


def test_findings_are_most_severe_first_and_then_by_time() -> None:
    late, early = (
        finding("link-full", 30, 40, severity="critical"),
        finding("outage", 5, 9, severity="critical"),
    )
    host, busy = finding("single-host", 0, 60, severity="info"), finding("link-busy", 1, 9)
    assert in_order(quiet(), [host, late, busy, early]) == (early, late, busy, host)
