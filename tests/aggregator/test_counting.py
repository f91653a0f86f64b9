"""Which record counts on which link, and that each packet counts once. Rows are made up; the metering habits are
those of real exporters (flowDirection: RFC 5102 5.11.6).
"""

from __future__ import annotations

import pytest

from flowdiag.addresses import to_bytes
from flowdiag.aggregator.site_flows import DOWN, NO_LINK, UP
from flowdiag.collector.report import ExportReport, SessionReport
from flowdiag.site.profile import Link
from flowdiag.text.wording.coverage import told
from tests.aggregator.tables import (
    HOST,
    LAN,
    LTE,
    SERVER,
    WAN,
    build,
    down,
    note_with,
    octets_by_direction,
    record,
    site,
    two_links,
    up,
)

OTHER_HOST = "192.168.40.21"


def test_what_arrives_is_download_and_what_leaves_is_upload() -> None:
    flows, usage, _ = build([up(octets=300), down(octets=7000)])
    assert octets_by_direction(flows) == (7000, 300)
    assert usage.ip_octets.sum(axis=2).tolist() == [[7000, 300]]
    assert {flows.addresses[number] for number in flows.inside} == {to_bytes(HOST)}
    assert {flows.addresses[number] for number in flows.outside} == {to_bytes(SERVER)}
    assert flows.inside_port.tolist() == [50_000, 50_000]
    assert flows.outside_port.tolist() == [443, 443]


def test_local_traffic_counts_on_no_link() -> None:
    flows, usage, _ = build([record(HOST, OTHER_HOST, egress_interface=LAN), up()])
    assert flows.link.tolist() == [NO_LINK, 0]
    assert flows.direction.tolist() == [-1, UP]
    assert usage.ip_octets.sum() == 1000


def test_a_packet_through_two_links_counts_on_both() -> None:
    transit = record(SERVER, "198.51.100.4", ingress_interface=WAN, egress_interface=LTE, octets=500)
    flows, usage, _ = build([transit, up()], site(two_links()))
    assert sorted(zip(flows.link.tolist(), flows.direction.tolist(), strict=True)) == [
        (0, DOWN),
        (0, UP),
        (1, UP),
    ]
    assert usage.ip_octets.sum(axis=2).tolist() == [[500, 1000], [0, 500]]


def test_a_link_may_have_several_interfaces_and_large_numbers() -> None:
    links = two_links((WAN, 1_000_000), (LTE, 2**31 - 1))
    rows = [
        up(egress_interface=1_000_000),
        up(egress_interface=2**31 - 1, octets=5),
        down(ingress_interface=2**32 - 1),
    ]
    flows, _, _ = build(rows, site(links))
    assert flows.link.tolist() == [0, 1, NO_LINK]


def test_what_is_metered_at_ingress_and_egress_counts_once() -> None:
    rows = [up(direction=0), up(direction=1), down(direction=0), down(direction=1)]
    flows, _, coverage = build(rows)
    assert octets_by_direction(flows) == (1000, 1000)
    assert "2 records" in note_with(coverage, "metered at ingress and egress")


def test_ingress_records_that_do_not_know_the_egress_interface_are_no_local_traffic() -> None:
    # A switch reports each flow at ingress without egress interface, and at egress with both.
    rows = [
        up(direction=0, egress_interface=None),
        up(direction=1),
        down(direction=0, egress_interface=None),
        down(direction=1),
    ]
    flows, _, _ = build(rows)
    assert octets_by_direction(flows) == (1000, 1000)
    assert len(flows) == 2


def test_several_egress_copies_of_a_flooded_packet_count_once() -> None:
    copies = [down(direction=1, egress_interface=interface) for interface in (LAN, 4, 5, 6)]
    flows, _, _ = build([down(direction=0, egress_interface=None), *copies])
    assert octets_by_direction(flows) == (1000, 0)
    flows, _, _ = build(copies)  # where only the egress is metered
    assert octets_by_direction(flows) == (1000, 0)


def test_the_other_metering_point_counts_where_the_link_itself_is_hardly_metered() -> None:
    rows = [up(direction=0, octets=9000, src_port=port) for port in range(50_000, 50_010)]
    flows, _, _ = build([*rows, up(direction=1, octets=100)])
    assert octets_by_direction(flows) == (0, 90_000)


def test_the_side_that_shows_inside_addresses_counts_where_the_other_is_behind_translation() -> None:
    public = "198.51.100.200"
    rows = [up(direction=0), up(public, direction=1), down(dst=public, direction=0), down(direction=1)]
    flows, _, _ = build(rows)
    assert octets_by_direction(flows) == (1000, 1000)
    assert {flows.addresses[number] for number in flows.inside} == {to_bytes(HOST)}


def test_another_exporters_metering_does_not_matter() -> None:
    rows = [
        up(direction=0, src_port=1),
        up(direction=1, src_port=2, exporter="192.0.2.11", src_address=OTHER_HOST),
    ]
    flows, _, _ = build(rows)
    assert octets_by_direction(flows) == (0, 2000)


def test_an_end_in_the_sites_networks_is_the_inside_one_whatever_the_interface_says() -> None:
    flows, _, _ = build([down(src=HOST, dst=SERVER)])  # a mirrored port
    assert flows.addresses[flows.inside[0]] == to_bytes(HOST)


def test_without_networks_the_interface_tells_who_is_inside() -> None:
    flows, _, _ = build([up("198.51.100.1"), down(dst="198.51.100.1")], site(lan=()))
    assert {flows.addresses[number] for number in flows.inside} == {to_bytes("198.51.100.1")}


@pytest.mark.parametrize("interface", [None, 0])
def test_without_interface_numbers_one_link_goes_by_the_sites_networks(interface: int | None) -> None:
    nowhere = {"ingress_interface": interface, "egress_interface": interface}
    rows = [
        up(octets=300, **nowhere),
        down(octets=7000, **nowhere),
        up(HOST, OTHER_HOST, **nowhere),
        up(HOST, "224.0.0.251", **nowhere),  # multicast never leaves (RFC 5771)
        up(SERVER, "198.51.100.4", **nowhere),
    ]
    flows, _, coverage = build(rows)
    assert octets_by_direction(flows) == (7000, 300)
    assert flows.link.tolist() == [0, 0, NO_LINK, NO_LINK, NO_LINK]
    assert coverage.links_apart
    assert "the profile's networks" in note_with(coverage, "no interface numbers")


def test_without_interface_numbers_and_networks_private_addresses_are_inside() -> None:
    rows = [up("10.1.2.3", ingress_interface=None, egress_interface=None)]
    flows, _, coverage = build(rows, site(lan=()))
    assert flows.direction.tolist() == [UP]
    assert "private networks" in note_with(coverage, "no interface numbers")


def test_without_interface_numbers_both_metering_points_count_once() -> None:
    nowhere = {"ingress_interface": None, "egress_interface": None}
    flows, _, _ = build([up(direction=0, **nowhere), up(direction=1, **nowhere)])
    assert octets_by_direction(flows) == (0, 1000)


def test_without_interface_numbers_several_links_cannot_be_told_apart() -> None:
    rows = [up(ingress_interface=0, egress_interface=0)]
    flows, usage, coverage = build(rows, site(two_links()))
    assert flows.link.tolist() == [NO_LINK]
    assert usage.ip_octets.sum() == 0
    assert not coverage.links_apart
    assert note_with(coverage, "cannot be told apart")


def test_a_single_link_can_do_without_numbers_in_the_profile() -> None:
    link = Link(name="fibre", interfaces=[], down_mbps=100, up_mbps=40)
    flows, _, _ = build([up(), down()], site([link]))
    assert octets_by_direction(flows) == (1000, 1000)


def test_a_link_whose_interface_never_shows_is_told() -> None:
    _, _, coverage = build([up(), down()], site(two_links(second=(9,))))
    assert note_with(coverage, "No record names").endswith('link "lte" (9); the export has 1, 2.')


def test_octets_carry_the_framing_of_their_own_link() -> None:
    links = two_links()
    links[0] = links[0].model_copy(update={"framing": "wire"})
    links[1] = links[1].model_copy(update={"framing": "pppoe"})
    rows = [up(octets=15_000), up(octets=15_000, egress_interface=LTE, src_port=2)]
    flows, _, _ = build([*rows, record(HOST, OTHER_HOST, egress_interface=LAN, octets=15_000)], site(links))
    # ten packets of 1500: 38 each on the wire (IEEE 802.3), 46 with PPPoE (RFC 2516), none locally
    assert flows.wire_octets.tolist() == [15_380, 15_460, 15_000]


def test_only_the_sites_exporters_count_and_those_without_a_name() -> None:
    rows = [up(), up(exporter="192.0.2.99", src_port=2), up(exporter="::", src_port=3)]
    profile = site()
    profile = profile.model_copy(
        update={"site": profile.site.model_copy(update={"exporters": ["192.0.2.10"]})}
    )
    flows, _, _ = build(rows, profile)
    assert octets_by_direction(flows) == (0, 2000)
    assert WAN in flows.egress


def test_several_exporters_of_which_none_is_named_as_the_sites_are_told() -> None:
    report = ExportReport(
        sessions=[SessionReport(to_bytes(f"192.0.2.{last}"), 2055, 0, "ipfix") for last in (10, 11)]
    )
    rows = [up(), up(exporter="192.0.2.11", src_port=50_001)]
    named = site()
    named.site.exporters.extend(["192.0.2.10", "192.0.2.11"])
    assert "Records of 2 exporters count" in note_with(build(rows, report=report)[2], "site.exporters")
    assert not any("site.exporters" in note for note in told(build(rows, named, report)[2].remarks))
    one = ExportReport(sessions=report.sessions[:1])
    assert not any("site.exporters" in note for note in told(build(rows[:1], report=one)[2].remarks))


def test_a_download_is_behind_the_queue_where_records_say_that_they_were_metered_where_it_came_in() -> None:
    # Element 61: 0 at ingress, 1 at egress (RFC 5102 5.11.6); absent, nobody says.
    for rows, arrived in (
        ([down(direction=0), down(direction=1), up(direction=1)], True),
        ([down(direction=1), up(direction=0)], False),
        ([down(), up()], False),
    ):
        assert build(rows)[2].arrived == (arrived,)
