"""What the decisions rest on, added up by source, link, direction and metering point; decisions at their bounds."""

from __future__ import annotations

import pytest

from flowdiag.address_ranges import AddressRanges
from flowdiag.aggregator.counting import InterfaceLinks, Tally
from flowdiag.aggregator.records import Interner, LeftOut, to_records
from tests.aggregator.tables import (
    LTE,
    Row,
    batch,
    build,
    down,
    octets_by_direction,
    site,
    two_links,
    up,
)

OTHER = "192.0.2.11"
INGRESS, EGRESS = 0, 1


def tallied(*rows: Row) -> Tally:
    profile = site(two_links())
    interner = Interner(AddressRanges(profile.site.lan))
    tally = Tally(2)
    for row in rows:
        tally.add(to_records(batch([row]), interner, InterfaceLinks(profile).of, LeftOut()), interner)
    return tally


def test_records_are_counted_by_source_and_metering_point() -> None:
    tally = tallied(
        up(direction=INGRESS), up(direction=EGRESS), up(), up(exporter=OTHER, direction=EGRESS), up(domain=5),
        up(exporter=OTHER, direction=INGRESS, egress_interface=None), up(domain=5, direction=INGRESS),
    )  # fmt: skip
    assert tally.kinds.tolist() == [[1, 1, 1], [1, 1, 0], [1, 0, 1]]
    assert tally.egress_known.tolist() == [1, 0, 1]  # of those metered at ingress


def test_octets_are_counted_by_link_and_direction_and_whether_the_inside_end_is_inside() -> None:
    tally = tallied(
        up(octets=1), down(octets=20, direction=INGRESS), up("198.51.100.7", octets=300),
        down(octets=4000, ingress_interface=LTE), up(octets=50_000, egress_interface=9), up(octets=600_000, exporter=OTHER),
    )  # fmt: skip
    # By source, link, direction (down, up) and metering point (ingress, egress, not said).
    assert tally.octets.tolist() == [
        [[[20, 0, 0], [0, 0, 301]], [[0, 0, 4000], [0, 0, 0]]],
        [[[0, 0, 0], [0, 0, 600_000]], [[0, 0, 0], [0, 0, 0]]],
    ]
    assert tally.records.sum(axis=(2, 3)).tolist() == [[3, 1], [1, 0]]
    assert tally.inside_octets[0, 0].tolist() == [[20, 0, 0], [0, 0, 1]]


def test_interfaces_that_were_seen_are_listed() -> None:
    tally = tallied(
        up(ingress_interface=7, egress_interface=None),
        up(ingress_interface=0, egress_interface=65_535),
        up(ingress_interface=70_000),
    )
    assert (tally.numbered, tally.interfaces) == (True, [2, 7, 65_535])
    assert not tallied(up(ingress_interface=0, egress_interface=None)).numbered
    assert tallied(up(ingress_interface=70_000, egress_interface=0)).numbered


def both_points(own: float, other: float) -> float:
    """Octets of the upload of a packet that is metered at both points of its way, with so many at each."""
    rows = [up(octets=own, direction=EGRESS), up(octets=other, direction=INGRESS, src_port=9)]
    return octets_by_direction(build(rows)[0])[1]


def test_the_links_own_point_counts_unless_it_has_less_than_half_of_the_others_octets() -> None:
    assert both_points(500, 1000) == 500
    assert both_points(499, 1000) == 1000
    downloads = [down(octets=499, direction=INGRESS), down(octets=1000, direction=EGRESS, dst_port=9)]
    assert octets_by_direction(build(downloads)[0])[0] == 1000


@pytest.mark.parametrize(
    ("own_inside", "other_inside", "own_counts"),
    [(500, 1000, True), (499, 1000, False), (499, 500, False), (499, 499, True), (0, 0, True)],
)
def test_the_point_that_shows_hosts_counts_where_the_links_own_shows_none(
    own_inside: int, other_inside: int, own_counts: bool
) -> None:
    """A thousand octets at each point, of which so many are of inside addresses."""
    rows = [
        up(octets=own_inside, direction=EGRESS),
        up("198.51.100.7", octets=1000 - own_inside, direction=EGRESS, src_port=8),
        up(octets=other_inside, packets=11, direction=INGRESS, src_port=9),
        up("198.51.100.8", octets=1000 - other_inside, packets=11, direction=INGRESS, src_port=10),
    ]
    flows = build(rows)[0]
    assert {int(packets) for packets, link in zip(flows.packets, flows.link, strict=True) if link >= 0} == {
        10 if own_counts else 11
    }


def test_exporters_are_decided_one_by_one() -> None:
    rows = [
        up(octets=100, direction=EGRESS), up(octets=1000, direction=INGRESS, src_port=9),
        up(octets=77, exporter=OTHER, direction=EGRESS, src_port=10),
    ]  # fmt: skip
    assert octets_by_direction(build(rows)[0])[1] == 1077
    assert build(rows)[2].arrived == (False,)


@pytest.mark.parametrize(("ingress", "arrived"), [(501, True), (500, False)])
def test_a_download_arrived_where_most_of_it_was_metered_as_it_came_in(ingress: int, arrived: bool) -> None:
    rows = [down(octets=ingress, direction=INGRESS), down(octets=1000 - ingress, dst_port=9)]
    assert build(rows)[2].arrived == (arrived,)
