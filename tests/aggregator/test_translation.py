"""The host behind a router's own address: rows are made up as a router with address translation (RFC 2663) would export
them, metered on its outside alone or on both sides. Hosts and sums are worked out by hand.
"""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from flowdiag.aggregator.site_flows import DOWN, UP, SiteFlows
from flowdiag.aggregator.top_keys import Conversation
from flowdiag.aggregator.top_ranking import Request
from flowdiag.site.profile import Profile
from flowdiag.text.wording.coverage import told
from tests.aggregator.tables import (
    HOST,
    LAN,
    LTE,
    SERVER,
    WAN,
    Row,
    build,
    down,
    note_with,
    octets_by_direction,
    record,
    site,
    two_links,
    up,
)
from tests.aggregator.test_top import rank

ROUTER = "198.51.100.7"  # its own address on the WAN side
OTHER_HOST = "192.168.40.21"
INNER = 9  # an interface of the router that no link owns


def upload(host: str, port: int, outer_port: int, **changes: object) -> list[Row]:
    """Both copies of an upload record: from the host on the inside, on no link; and translated, on the link."""
    return [
        up(host, src_port=port, egress_interface=INNER, **changes),
        up(ROUTER, src_port=outer_port, ingress_interface=INNER, **changes),
    ]


def download(host: str, port: int, outer_port: int, **changes: object) -> list[Row]:
    """Both copies of a download record."""
    return [
        down(dst=ROUTER, dst_port=outer_port, egress_interface=INNER, **changes),
        down(dst=host, dst_port=port, ingress_interface=INNER, **changes),
    ]


def shares(flows: SiteFlows, direction: int | None = None) -> dict[str, float]:
    """Octets on links by inside address."""
    sums: dict[str, float] = {}
    for row in range(len(flows)):
        if flows.link[row] >= 0 and direction in (None, flows.direction[row]):
            address = ".".join(map(str, flows.addresses[flows.inside[row]][12:]))
            sums[address] = sums.get(address, 0) + float(flows.octets[row])
    return sums


def hosts(rows: Sequence[Row], profile: Profile | None = None) -> dict[str, float]:
    return shares(build(rows, profile)[0])


@pytest.mark.parametrize("outer_port", [50_000, 61_000])
def test_the_copy_on_the_inside_names_the_host_of_what_counts(outer_port: int) -> None:
    rows = [
        *upload(HOST, 50_000, outer_port, octets=900_000, packets=700),
        *download(HOST, 50_000, outer_port, octets=40_000, packets=350),
    ]
    flows, usage, coverage = build(rows)
    assert octets_by_direction(flows) == (40_000, 900_000)  # as without translation: each packet once
    assert usage.ip_octets.sum() == 940_000
    assert shares(flows, UP) == {HOST: 900_000}
    assert shares(flows, DOWN) == {HOST: 40_000}
    assert flows.inside_port[flows.link >= 0].tolist() == [50_000, 50_000]
    assert "2 records show its own (198.51.100.7)" in note_with(coverage, "translates addresses:")


def test_times_may_differ_by_what_two_points_of_a_router_differ() -> None:
    inner, outer = upload(HOST, 50_000, 61_000, octets=900_000, packets=700)
    assert hosts([{**inner, "start": 0.4, "end": 1.3}, outer]) == {HOST: 900_000}
    assert hosts([{**inner, "start": 3.0, "end": 4.0}, outer]) == {ROUTER: 900_000}


@pytest.mark.parametrize(
    "change",
    [
        {"octets": 800_000},
        {"packets": 600},
        {"dst_address": "203.0.113.10"},
        {"dst_port": 8443},
        {"protocol": 17},
    ],
)
def test_what_translation_leaves_must_agree(change: dict[str, object]) -> None:
    inner, outer = upload(HOST, 50_000, 61_000, octets=900_000, packets=700)
    assert hosts([{**inner, **change}, outer]) == {ROUTER: 900_000}


def test_two_hosts_with_equal_octets_to_one_server_are_told_apart_by_kept_ports() -> None:
    rows = [
        *upload(HOST, 50_000, 50_000, octets=900_000, packets=700, end=9.0),
        *upload(OTHER_HOST, 50_001, 50_001, octets=900_000, packets=700, end=9.0),
        # Only this one went on: both conversations' records have to stay with their own host.
        *upload(OTHER_HOST, 50_001, 50_001, octets=500_000, packets=400, start=9.0, end=12.0),
    ]
    flows, _, _ = build(rows)
    assert shares(flows) == {HOST: 900_000, OTHER_HOST: 1_400_000}
    ports = {(int(flows.inside[row]), int(flows.inside_port[row])) for row in range(len(flows))}
    assert len(ports) == 2


def test_two_hosts_with_equal_octets_to_one_server_are_told_apart_by_times() -> None:
    rows = [
        *upload(HOST, 50_000, 61_000, octets=900_000, packets=700, start=0.0, end=9.0),
        *upload(OTHER_HOST, 50_000, 61_001, octets=900_000, packets=700, start=0.0, end=11.0),
        *upload(OTHER_HOST, 50_000, 61_001, octets=70_000, packets=60, start=11.0, end=12.0),
    ]
    assert hosts(rows) == {HOST: 900_000, OTHER_HOST: 970_000}


def test_where_nothing_tells_two_hosts_apart_each_gets_as_many_records_as_it_has_copies() -> None:
    rows = [
        *upload(HOST, 50_000, 61_000, octets=900_000, packets=700),
        *upload(OTHER_HOST, 50_007, 61_001, octets=900_000, packets=700),
    ]
    assert hosts(rows) == {HOST: 900_000, OTHER_HOST: 900_000}


def test_where_the_numbers_of_copies_differ_too_nothing_is_guessed() -> None:
    both = [
        *upload(HOST, 50_000, 61_000, octets=900_000, packets=700),
        *upload(OTHER_HOST, 50_007, 61_001, octets=900_000, packets=700),
    ]
    assert hosts(both[:3]) == {ROUTER: 900_000}  # one counted record, two hosts that could be it


def test_a_record_of_the_router_itself_stays_the_routers() -> None:
    rows = [
        *upload(HOST, 50_000, 61_000, octets=900_000, packets=700),
        up(ROUTER, "203.0.113.53", src_port=40_000, dst_port=53, protocol=17, octets=70, packets=1),
        up(ROUTER, "203.0.113.53", src_port=40_001, dst_port=53, protocol=17, octets=70, packets=1),
        # One host asked the same: one of three copies cannot be three.
        record(HOST, "203.0.113.53", src_port=51_000, dst_port=53, protocol=17, octets=70, packets=1,
               egress_interface=INNER),
    ]  # fmt: skip
    assert hosts(rows) == {HOST: 900_000, ROUTER: 140}


def test_small_records_that_agree_by_chance_prove_no_translation() -> None:
    # A site without translation: its router and a host ask one server the same at once.
    query = {"dst_port": 53, "protocol": 17, "octets": 70, "packets": 1}
    rows = [
        up(ROUTER, src_port=40_000, **query),
        up(HOST, src_port=51_000, **query),
        up(HOST, octets=900_000, packets=700, start=5.0, end=6.0),
    ]
    flows, _, _ = build(rows)
    assert shares(flows) == {ROUTER: 70, HOST: 900_070}


def test_small_records_follow_once_the_router_is_known_to_translate() -> None:
    query = {"dst_port": 53, "protocol": 17, "octets": 70, "packets": 1}
    rows = [
        *upload(HOST, 50_000, 61_000, octets=900_000, packets=700),
        *upload(OTHER_HOST, 51_000, 61_001, **query),
    ]
    assert hosts(rows) == {HOST: 900_000, OTHER_HOST: 70}


def test_a_record_without_a_copy_belongs_to_the_host_of_its_conversation() -> None:
    first = upload(HOST, 50_000, 61_000, octets=900_000, packets=700, end=60.0)
    # Cut at another moment: a packet less on the outside. And an answer that was metered outside alone.
    second = upload(HOST, 50_000, 61_000, octets=800_000, packets=600, start=60.0, end=120.0)
    second[1] |= {"octets": 798_500, "packets": 599}
    answer = down(dst=ROUTER, dst_port=61_000, octets=20_000, packets=300, end=120.0)
    flows, _, _ = build([*first, *second, answer])
    assert shares(flows) == {HOST: 900_000 + 798_500 + 20_000}
    assert set(flows.inside_port.tolist()) == {50_000}


def test_a_port_that_was_idle_may_belong_to_another_host() -> None:
    rows = [
        *upload(HOST, 50_000, 61_000, octets=900_000, packets=700),
        # More than two minutes later (RFC 4787 4.3), without a copy.
        up(ROUTER, src_port=61_000, octets=500_000, packets=400, start=150.0, end=160.0),
        *upload(OTHER_HOST, 50_009, 61_000, octets=300_000, packets=250, start=400.0, end=410.0),
    ]
    assert hosts(rows) == {HOST: 900_000, ROUTER: 500_000, OTHER_HOST: 300_000}


def test_answers_are_named_by_requests_whose_port_was_kept() -> None:
    # Metered where packets come in alone: requests before translation, answers before it is undone.
    rows = [
        up(octets=20_000, packets=400, end=30.0),
        down(dst=ROUTER, octets=900_000, packets=700, start=0.02, end=30.0),
        up(OTHER_HOST, src_port=52_000, octets=8_000, packets=90, end=30.0),
        down(dst=ROUTER, dst_port=52_000, octets=50_000, packets=60, start=0.02, end=30.0),
    ]
    flows, _, _ = build(rows)
    assert shares(flows, DOWN) == {HOST: 900_000, OTHER_HOST: 50_000}
    assert octets_by_direction(flows) == (950_000, 28_000)


def test_a_port_that_both_have_by_convention_names_nobody() -> None:
    # The router's own clock and a host's, both from port 123 (RFC 5905 7.2), with one server.
    clock = {"src_port": 123, "dst_port": 123, "protocol": 17, "octets": 76}
    rows = [up(packets=1, **clock), down(dst=ROUTER, packets=1, **clock)]
    assert shares(build(rows)[0], DOWN) == {ROUTER: 76}


def test_a_conversation_cut_quite_otherwise_is_compared_as_a_whole() -> None:
    # Outside one record, inside three, a lost packet between them; ports changed.
    inner = [
        up(src_port=50_000, octets=300_000, packets=200, start=20.0 * n, end=20.0 * n + 20, egress_interface=INNER)
        for n in range(3)
    ]  # fmt: skip
    outer = up(ROUTER, src_port=61_000, octets=898_500, packets=599, start=0.01, end=60.0)
    assert hosts([*inner, outer]) == {HOST: 898_500}
    assert hosts([*inner, {**outer, "octets": 500_000}]) == {ROUTER: 500_000}
    another = [{**row, "src_address": OTHER_HOST} for row in inner]
    assert hosts([*inner, *another, outer]) == {ROUTER: 898_500}


def test_a_forwarded_port_leads_to_the_host_behind_it() -> None:
    visit = {"src_port": 51_515, "octets": 40_000, "packets": 80}
    answer = {"dst_port": 51_515, "octets": 900_000, "packets": 700}
    rows = [
        down(dst=ROUTER, dst_port=443, egress_interface=INNER, **visit),
        down(dst=HOST, dst_port=8443, ingress_interface=INNER, **visit),
        up(src_port=8443, egress_interface=INNER, **answer),
        up(ROUTER, src_port=443, ingress_interface=INNER, **answer),
    ]
    flows, _, _ = build(rows)
    assert shares(flows) == {HOST: 940_000}
    assert flows.inside_port[flows.link >= 0].tolist() == [8443, 8443]


def test_a_server_with_a_public_address_of_its_own_keeps_it() -> None:
    server = "198.51.100.20"
    rows = [
        up(server, src_port=443, dst_port=51_000, octets=900_000, packets=700),
        *upload(HOST, 50_000, 61_000, octets=900_000, packets=700),
    ]
    for lan in (("192.168.40.0/24", "198.51.100.20/32"), ("192.168.40.0/24",)):
        assert hosts(rows, site(lan=lan)) == {server: 900_000, HOST: 900_000}


def test_without_networks_in_the_profile_private_ones_are_inside() -> None:
    rows = upload(HOST, 50_000, 61_000, octets=900_000, packets=700)
    assert hosts(rows, site(lan=())) == {HOST: 900_000}


def test_both_copies_on_the_link_count_once() -> None:
    # No element 61, both copies name both interfaces: the packets are the same, so one of them counts.
    inner, outer = upload(HOST, 50_000, 61_000, octets=900_000, packets=700)
    rows = [{**inner, "egress_interface": WAN}, {**outer, "ingress_interface": LAN, "start": 0.002}]
    flows, _, coverage = build(rows)
    assert octets_by_direction(flows) == (0, 900_000)
    assert shares(flows) == {HOST: 900_000}
    assert note_with(coverage, "repeat others").startswith("1 record ")


def test_the_copy_may_be_one_that_does_not_count_because_it_is_the_second_point() -> None:
    # Ingress records do not know where packets leave: they count nowhere, and name the host.
    rows = [
        up(octets=900_000, packets=700, direction=0, egress_interface=-1),
        up(ROUTER, src_port=61_000, octets=900_000, packets=700, direction=1),
        down(dst=ROUTER, dst_port=61_000, octets=40_000, packets=350, direction=0, egress_interface=-1),
        down(octets=40_000, packets=350, direction=1),
    ]
    rows = [{**row, "egress_interface": None} if row["egress_interface"] == -1 else row for row in rows]
    flows, _, _ = build(rows)
    assert octets_by_direction(flows) == (40_000, 900_000)
    assert shares(flows) == {HOST: 940_000}


def test_a_second_exporter_on_the_inside_names_the_host() -> None:
    inner, outer = upload(HOST, 50_000, 61_000, octets=900_000, packets=700)
    inner |= {"exporter": "192.0.2.11", "ingress_interface": 31, "egress_interface": 32}
    assert hosts([inner, outer]) == {HOST: 900_000}


def test_echo_requests_are_matched_by_type_and_kept_so() -> None:
    echo = {"src_port": 0, "dst_port": 2048, "protocol": 1, "octets": 8_400, "packets": 100, "end": 99.0}
    rows = [
        up(egress_interface=INNER, **echo),
        up(ROUTER, ingress_interface=INNER, **echo),
    ]
    flows, _, _ = build(rows)
    assert shares(flows) == {HOST: 8_400}
    assert flows.outside_port[flows.link >= 0].tolist() == [2048]


def test_each_link_has_its_own_router_address() -> None:
    second = "198.51.100.8"
    inner, outer = upload(HOST, 50_000, 61_000, octets=900_000, packets=700)
    later, moved = upload(HOST, 50_003, 61_000, octets=600_000, packets=500, start=30.0, end=40.0)
    moved |= {"src_address": second, "egress_interface": LTE}
    flows, _, coverage = build([inner, outer, later, moved], site(two_links()))
    assert shares(flows) == {HOST: 1_500_000}
    assert sorted(flows.link.tolist()) == [-1, -1, 0, 1]
    assert "(198.51.100.7, 198.51.100.8)" in note_with(coverage, "translates addresses:")


def test_where_only_the_outer_copy_exists_a_note_says_that_the_router_stands_for_all() -> None:
    rows = [
        up(ROUTER, octets=900_000, packets=700),
        up(HOST, octets=100_000, packets=80, start=20.0, end=21.0),
    ]
    flows, _, coverage = build(rows)
    assert shares(flows) == {ROUTER: 900_000, HOST: 100_000}
    note = note_with(coverage, "stands for all hosts behind it")
    assert note.startswith("198.51.100.7: outside the profile's networks, yet the inside end of 90% ")


def test_a_routers_few_own_packets_are_worth_no_note() -> None:
    rows = [up(ROUTER, octets=4_000, packets=40), up(HOST, octets=100_000, packets=80)]
    _, _, coverage = build(rows)
    assert not [note for note in told(coverage.remarks) if "translat" in note]


def test_rankings_name_the_same_hosts() -> None:
    rows = [
        *upload(HOST, 50_000, 61_000, octets=900_000, packets=700),
        *upload(OTHER_HOST, 50_001, 61_001, octets=30_000, packets=70, start=0.2, end=0.9),
        *download(OTHER_HOST, 50_001, 61_001, octets=500_000, packets=400, start=0.2, end=0.9),
    ]
    top = rank(rows, Request("talkers"))
    assert [(row.key, row.octets) for row in top.whole.rows] == [(HOST, 900_000), (OTHER_HOST, 530_000)]
    assert any("translates addresses" in note for note in told(top.remarks))
    talks = rank(rows, Request("conversations"))
    assert talks.whole.rows[0].key == Conversation(HOST, SERVER, "https")


def test_a_site_without_translation_is_left_as_it_is() -> None:
    flows, _, coverage = build([up(), down(), record(HOST, OTHER_HOST, egress_interface=LAN)])
    assert shares(flows) == {HOST: 2_000}
    assert not [note for note in told(coverage.remarks) if "translat" in note]
