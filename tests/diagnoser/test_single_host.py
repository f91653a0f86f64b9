"""single-host: most of the window's octets. Shares by hand."""

from __future__ import annotations

import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.findings import single_host
from flowdiag.site.profile import Thresholds
from flowdiag.text.sentences.actions import ONE_HOST
from tests.diagnoser.building import Book, ms, profile


def two_hosts(first: float, second: float) -> Book:
    book = Book()
    book.row(0, 600, way=DOWN, octets=first, inside="192.168.40.20")
    book.row(0, 600, way=UP, octets=second, inside="192.168.40.21")
    return book


def test_a_host_with_more_than_half_is_named_with_its_share() -> None:
    found = single_host.find(two_hosts(7e6, 3e6).case(profile(backup=False)))
    assert [(f.code, f.severity, f.link, f.direction) for f in found] == [("single-host", "info", None, None)]
    assert found[0].evidence["hosts"][0] == {
        "address": "192.168.40.20", "label": "imaging archive", "share": 0.7
    }  # fmt: skip
    assert "70%" in found[0].client
    assert "imaging archive" in found[0].summary


def test_exactly_half_is_not_most() -> None:
    assert single_host.find(two_hosts(5e6, 5e6).case(profile(backup=False))) == []


def test_both_directions_and_all_links_count_together() -> None:
    book = two_hosts(4e6, 3e6)
    book.row(0, 600, way=UP, octets=3e6, inside="192.168.40.21", link="lte")
    found = single_host.find(book.case())
    assert found[0].evidence["hosts"][0]["address"] == "192.168.40.21"
    assert found[0].evidence["share"] == pytest.approx(0.6)


def test_only_the_part_of_a_flow_that_lies_in_the_window_counts() -> None:
    book = two_hosts(8e6, 2e6)
    book.row(300, 600, way=DOWN, octets=9e6, inside="192.168.40.22")
    # From 300 s on: 4, 1 and 9 of 14 MB.
    found = single_host.find(book.case(profile(backup=False), window=(300, 600)))
    assert found[0].evidence["hosts"][0]["address"] == "192.168.40.22"
    assert found[0].evidence["share"] == pytest.approx(9 / 14, abs=1e-4)
    assert (found[0].start_ms, found[0].end_ms) == (ms(300), ms(600))


def test_copies_within_the_lan_are_on_no_link_and_do_not_count() -> None:
    book = two_hosts(5e6, 5e6)
    book.row(0, 600, way=UP, octets=1e9, inside="192.168.40.22", link=None)
    assert single_host.find(book.case(profile(backup=False))) == []


def test_a_window_without_traffic_has_no_single_host() -> None:
    assert single_host.find(two_hosts(7e6, 3e6).case(profile(backup=False), window=(900, 1200))) == []


def test_the_threshold_of_the_profile_decides() -> None:
    site = profile(backup=False, thresholds=Thresholds(single_host=0.8))
    assert single_host.find(two_hosts(7e6, 3e6).case(site)) == []


def test_a_routers_own_address_is_no_one_host() -> None:
    book = Book()
    book.row(0, 600, way=DOWN, octets=8e6, inside="198.51.100.7")
    book.row(0, 600, way=UP, octets=2e6, inside="192.168.40.21")
    assert single_host.find(book.case(profile(backup=False))) == []


def load(code: str, host: str, first: float, last: float) -> Finding:
    named = [{"address": host, "label": None, "share": 0.4}]
    return Finding(
        code, "critical", "high", "", "", start_ms=ms(first), end_ms=ms(last), evidence={"hosts": named}
    )


def advised(*others: Finding) -> bool:
    """Whether the helpdesk is sent to ask about 192.168.40.20, which had 70 % between 0 and 600 s."""
    (found,) = single_host.find(two_hosts(7e6, 3e6).case(profile(backup=False)))
    *rest, told = single_host.with_advice([*others, found])
    assert rest == list(others)
    return told.actions == ONE_HOST


@pytest.mark.parametrize("code", single_host.ABOUT_ROOM)
def test_a_device_that_a_link_had_no_room_for_is_asked_about(code: str) -> None:
    assert advised(load(code, "192.168.40.20", 60, 300))


def test_a_device_on_links_with_room_is_not_asked_about() -> None:
    assert not advised()
    assert not advised(load("unanswered-connections", "192.168.40.20", 60, 300))


def test_a_device_is_not_asked_about_for_what_others_did_or_at_another_time() -> None:
    assert not advised(load("link-full", "192.168.40.21", 60, 300))
    assert not advised(load("link-full", "192.168.40.20", -300, 0))
    assert not advised(load("link-full", "192.168.40.20", 601, 900))


def test_a_note_of_a_quiet_office_has_the_finding_without_advice_and_that_of_a_full_line_with_it() -> None:
    for down, wanted in ((7e6, []), (750e6, ["single-host"])):  # of 100 Mbit/s over 600 s: 0.1 and 10 Mbit/s
        book = two_hosts(down, down / 3)
        book.row(0, 240, way=DOWN, octets=down * 4, inside="192.168.40.20")
        diagnosis = diagnose(book.case(profile(backup=False)))
        assert [one.code for one in diagnosis.findings if one.actions == ONE_HOST] == wanted
        assert "single-host" in [one.code for one in diagnosis.findings]
