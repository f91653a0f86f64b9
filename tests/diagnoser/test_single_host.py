"""single-host: most of the window's octets. Shares by hand."""

from __future__ import annotations

import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.findings import single_host
from flowdiag.site.profile import Thresholds
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
