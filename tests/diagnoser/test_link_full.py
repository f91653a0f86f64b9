"""link-full and link-busy: rates, shares, words. Figures by hand; 7,500,000 octets a minute are 1 Mbit/s."""

from __future__ import annotations

from typing import Any

import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.findings import link_busy, link_full
from flowdiag.site.profile import Thresholds
from tests.diagnoser.building import MINUTE, Book, ms, profile

MBPS_MINUTE = 7_500_000
HOST = "192.168.40.20"


def upload_case(**more: object) -> Case:
    """Upload of 20 Mbit/s: from minute 5 on, ten minutes at 19, of which 16 by the archive, 3 by another."""
    book = Book()
    book.browse(0, 30 * MINUTE)
    for minute in range(5, 15):
        start = minute * MINUTE
        book.row(start, start + 60, way=UP, octets=16 * MBPS_MINUTE, outside="203.0.113.9")
        book.row(
            start, start + 60, way=UP, octets=3 * MBPS_MINUTE, inside="192.168.40.21", outside="203.0.113.10"
        )
    return book.case(profile(backup=False), **more)  # type: ignore[arg-type]


def the_one(findings: list[Finding]) -> Finding:
    assert len(findings) == 1
    return findings[0]


def test_a_full_upload_names_its_times_rates_and_hosts() -> None:
    found = the_one(link_full.find(upload_case()))
    assert (found.code, found.severity, found.link, found.direction) == (
        "link-full",
        "critical",
        "fibre",
        "up",
    )
    assert (found.start_ms, found.end_ms) == (ms(5 * MINUTE), ms(15 * MINUTE))
    assert found.evidence["capacity_mbps"] == 20
    # 19 Mbit/s of bulk and 1 kB of requests every two seconds, 0.004 Mbit/s.
    assert found.evidence["mean_mbps"] == pytest.approx(19.004, abs=0.001)
    assert found.evidence["full_minutes"] == 10
    hosts = found.evidence["hosts"]
    assert hosts[0]["address"] == "192.168.40.20"
    assert hosts[0]["label"] == "imaging archive"
    assert hosts[0]["share"] == pytest.approx(16 / 19.004, abs=0.001)
    assert hosts[1]["share"] == pytest.approx(3 / 19.004, abs=0.001)
    assert found.evidence["destinations"][0]["address"] == "203.0.113.9"
    assert found.evidence["applications"][0]["application"] == "web"


def test_the_client_is_told_that_a_full_upload_slows_downloads_too_without_addresses() -> None:
    found = the_one(link_full.find(upload_case()))
    assert "upload was full from 10:05 to 10:15" in found.client
    assert "downloads and calls included" in found.client
    assert "192.168" not in found.client
    assert "Mbit/s" not in found.client


def test_octets_outside_of_the_episode_do_not_count_for_its_shares() -> None:
    book = Book()
    for minute in range(3, 8):
        book.row(minute * 60, minute * 60 + 60, way=DOWN, octets=95 * MBPS_MINUTE)
    # Ten minutes long, five of them in the episode: half of its octets count.
    book.row(3 * 60, 13 * 60, way=DOWN, octets=10 * 4 * MBPS_MINUTE, inside="192.168.40.30")
    found = the_one(link_full.find(book.case(profile(backup=False))))
    assert found.evidence["hosts"][1]["share"] == pytest.approx(4 / 99, abs=0.0005)


def test_a_clear_full_link_is_told_with_high_confidence() -> None:
    book = Book()
    book.browse(0, 30 * MINUTE)
    for minute in range(5, 15):
        book.row(minute * 60, minute * 60 + 60, way=DOWN, octets=97 * MBPS_MINUTE)
    assert the_one(link_full.find(book.case(profile(backup=False)))).confidence == "high"


@pytest.mark.parametrize(("mbps", "confidence"), [(91, "medium"), (150, "low")])
def test_a_thin_margin_and_a_rate_over_the_plan_lower_the_confidence(mbps: float, confidence: str) -> None:
    book = Book()
    book.browse(0, 30 * MINUTE)
    for minute in range(5, 15):
        book.row(minute * 60, minute * 60 + 60, way=DOWN, octets=mbps * MBPS_MINUTE)
    found = the_one(link_full.find(book.case(profile(backup=False))))
    assert found.confidence == confidence
    assert found.doubts


def over_plan_case(
    *, variable: bool = False, way: int = UP, mbps: float = 40, inside: str = HOST, **coverage: Any
) -> Case:
    book = Book()
    for minute in range(10):
        start = minute * MINUTE
        book.row(start, start + 60, way=way, octets=mbps * MBPS_MINUTE, inside=inside, outside="203.0.113.9")
    site = profile(backup=False)
    return book.case(
        site.model_copy(update={"link": [site.link[0].model_copy(update={"variable": variable})]}), **coverage
    )


def test_twice_the_plan_behind_the_queue_is_a_wrong_record_and_no_full_line_for_the_client() -> None:
    found = the_one(link_full.find(over_plan_case(way=DOWN, mbps=200, arrived=(True,))))
    assert (found.code, found.confidence, found.evidence["over_plan"]) == ("link-full", "low", True)
    assert "more from 10:00 to 10:10 than the rate that we have on record" in found.client
    assert "was over its plan" in found.summary
    assert "the plan rate in the site profile is probably too low" in found.doubts[0]
    assert [action.who for action in found.actions] == ["helpdesk", "engineer", "account manager"]


@pytest.mark.parametrize(("mbps", "confidence"), [(21.2, "medium"), (22.9, "medium"), (40, "low")])
def test_an_upload_over_its_plan_may_be_what_the_queue_dropped(mbps: float, confidence: str) -> None:
    # A plan of 20 Mbit/s: 106 %, 114.5 % and 200 % of it.
    found = the_one(link_full.find(over_plan_case(mbps=mbps)))
    assert (found.confidence, found.evidence["maybe_offered"]) == (confidence, True)
    assert "either its full queue dropped the rest, or the plan rate on record is too low" in found.summary
    assert "more was offered than the full link carried, or the plan rate" in found.doubts[0]
    assert any("counters" in action.text for action in found.actions)
    assert any("quiet time" in action.text for action in found.actions)
    assert found.client == (
        "More was sent over your line's upload from 10:00 to 10:10 than the rate that we have on record for it, mostly "
        "by uploads of your imaging archive. Either it was full, or it is faster than our record says; we are checking which."
    )


@pytest.mark.parametrize("arrived", [(), (False,)])
def test_a_download_that_may_be_metered_before_a_queue_has_both_readings_too(
    arrived: tuple[bool, ...],
) -> None:
    found = the_one(link_full.find(over_plan_case(way=DOWN, mbps=108, arrived=arrived)))
    assert (found.confidence, found.evidence["maybe_offered"]) == ("medium", True)


def test_a_download_a_little_over_its_plan_behind_the_queue_doubts_the_record() -> None:
    found = the_one(link_full.find(over_plan_case(way=DOWN, mbps=108, arrived=(True,))))
    assert (found.confidence, found.evidence.get("over_plan")) == ("medium", None)
    assert "the plan rate in the site profile is probably too low" in found.doubts[0]


def test_at_its_plan_an_upload_is_full_and_nothing_was_offered_beyond() -> None:
    found = the_one(link_full.find(over_plan_case(mbps=20.9)))  # 104.5 %
    assert (found.confidence, found.evidence.get("maybe_offered")) == ("high", None)


def test_what_a_router_stands_for_is_not_put_down_to_one_device() -> None:
    found = the_one(link_full.find(over_plan_case(mbps=19.9, inside="198.51.100.7")))
    assert found.evidence["hosts"][0]["outside_lan"] is True
    assert "198.51.100.7 had 100% of it (outside the site's networks: a router's own address" in found.summary
    assert "one device" not in found.client
    assert "; the measurements do not tell by which devices." in found.client
    assert any("meter on its inside" in action.text for action in found.actions)


def test_twice_a_typical_rate_is_a_line_that_gave_more_than_usual() -> None:
    found = the_one(link_full.find(over_plan_case(variable=True)))
    assert (found.confidence, found.evidence.get("over_plan")) == ("low", None)
    assert "carried more than its typical rate" in found.client
    assert "200% of the typical rate" in found.doubts[0]


def test_records_longer_than_the_episode_lower_the_confidence() -> None:
    assert the_one(link_full.find(upload_case(resolution_s=1800))).confidence == "medium"


def test_the_thresholds_of_the_profile_decide() -> None:
    book = Book()
    for minute in range(5):
        book.row(minute * 60, minute * 60 + 60, way=DOWN, octets=80 * MBPS_MINUTE)
    site = profile(backup=False, thresholds=Thresholds(full=0.75, busy=0.5))
    assert len(link_full.find(book.case(site))) == 1


def test_a_full_backup_has_advice_of_its_own() -> None:
    book = Book()
    for minute in range(5):
        book.row(minute * 60, minute * 60 + 60, way=UP, octets=4.8 * MBPS_MINUTE, link="lte")
    found = the_one(link_full.find(book.case()))
    assert found.link == "lte"
    assert "backup line" in found.client
    assert "until the main line is back" in found.actions[0].text


def test_a_busy_link_is_a_warning_and_short_of_full() -> None:
    book = Book()
    for minute in range(10):
        book.row(minute * 60, minute * 60 + 60, way=DOWN, octets=80 * MBPS_MINUTE)
    case = book.case(profile(backup=False))
    found = the_one(link_busy.find(case))
    assert (found.severity, found.direction) == ("warning", "down")
    assert found.evidence["busy_minutes"] == 10
    assert found.evidence["full_minutes"] == 0
    assert link_full.find(case) == []


def test_a_link_at_two_thirds_is_neither() -> None:
    book = Book()
    for minute in range(10):
        book.row(minute * 60, minute * 60 + 60, way=DOWN, octets=66 * MBPS_MINUTE)
    case = book.case(profile(backup=False))
    assert link_full.find(case) == link_busy.find(case) == []


def acknowledged(packet: float, down: float = 97.0) -> Finding:
    """The upload at 19 Mbit/s in packets of so many octets, the download at `down`, by one device for ten minutes."""
    book = Book()
    book.browse(0, 30 * MINUTE)
    for minute in range(5, 15):
        start, octets = minute * MINUTE, 19 * MBPS_MINUTE
        book.row(start, start + 60, way=UP, octets=octets, packets=octets / packet, inside="192.168.40.21")
        book.row(start, start + 60, way=DOWN, octets=down * MBPS_MINUTE, inside="192.168.40.21")
    found = link_full.find(book.case(profile(backup=False)))
    return the_one([finding for finding in found if finding.direction == "up"])


def test_an_upload_full_of_acknowledgements_is_not_put_down_to_uploads() -> None:
    found = acknowledged(52)
    # Ten minutes of 97 Mbit/s and of 20,000 octets every two seconds of browsing.
    assert found.evidence["confirms_mbps"] == pytest.approx(97.08, abs=0.001)
    assert found.client.startswith(
        "Your line's upload was full from 10:05 to 10:15, mostly by the confirmations of one device's downloads. "
    )
    assert "Nearly all are acknowledgements of 97.1 Mbit/s of downloads." in found.summary


def test_an_upload_of_data_or_of_calls_is_one() -> None:
    for found in (acknowledged(1000), acknowledged(200), acknowledged(52, down=80.0)):
        assert "confirms_mbps" not in found.evidence
        assert "mostly by one device's uploads" in found.client
