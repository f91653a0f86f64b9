"""Which end is the service, and what it is called. Ports by the IANA registry and RFC 6335's ranges; the situations
are made up.
"""

from __future__ import annotations

from typing import Any

import pytest

from flowdiag.aggregator.applications import UNKNOWN, catalogue, read_catalogue
from flowdiag.aggregator.site_flows import SiteFlows
from tests.aggregator.tables import HOST, SERVER, build, down, record, site, up

SYN, SYN_ACK = 0x02, 0x12
UDP, ICMP, ICMPV6 = 17, 1, 58


def named(rows: list[dict[str, Any]]) -> list[tuple[str, int]]:
    """Application and opened_inside of each row."""
    flows, _, _ = build(rows)
    return [
        (flows.applications[number], opened)
        for number, opened in zip(flows.application.tolist(), flows.opened_inside.tolist(), strict=True)
    ]


def name_of(**changes: Any) -> str:
    return named([up(**changes)])[0][0]


def test_the_well_known_end_names_both_directions() -> None:
    assert named([up(), down()]) == [("https", 1), ("https", 1)]


def test_a_service_inside_was_opened_from_outside() -> None:
    rows = [down(src_port=50_000, dst_port=443), up(src_port=443, dst_port=50_000)]
    assert named(rows) == [("https", 0), ("https", 0)]


@pytest.mark.parametrize(
    ("protocol", "port", "name"),
    [
        (6, 80, "http"),
        (17, 443, "https"),
        (17, 53, "dns"),
        (17, 123, "ntp"),
        (17, 5060, "sip"),
        (6, 25, "smtp"),
        (6, 587, "submission"),
        (6, 993, "imaps"),
        (6, 22, "ssh"),
        (6, 3389, "ms-wbt-server"),
        (6, 445, "microsoft-ds"),
        (17, 4500, "ipsec-nat-t"),
        (17, 51820, "wireguard"),
        (17, 3478, "stun"),
    ],
)
def test_names_are_those_of_the_registry(protocol: int, port: int, name: str) -> None:
    assert name_of(protocol=protocol, dst_port=port, src_port=55_555) == name


def test_a_clients_port_that_happens_to_be_known_names_nothing() -> None:
    # 443 is a system port (RFC 6335 6), 3306 and 51820 the client's
    assert name_of(src_port=3306) == "https"
    assert name_of(src_port=51_820, protocol=UDP) == "https"


def test_the_side_that_is_called_is_the_service_whatever_the_ports_say() -> None:
    rows = [
        up(src_port=3306, dst_port=8443, tcp_flags=SYN),
        up(src_port=3306, dst_port=20_000, tcp_flags=SYN, dst_address="203.0.113.10"),
    ]
    assert named(rows) == [("https-alt", 1), ("tcp/20000", 1)]


def test_the_answer_of_what_was_called_before_has_its_name() -> None:
    rows = [
        up(src_port=3306, dst_port=20_000, tcp_flags=SYN),
        down(src_port=20_000, dst_port=3306, tcp_flags=SYN_ACK),
    ]
    assert named(rows) == [("tcp/20000", 1), ("tcp/20000", 1)]


def test_a_port_that_talks_with_many_ports_is_a_service() -> None:
    rows = [up(src_port=30_000 + n, dst_port=20_000, src_address=f"192.168.40.{n + 1}") for n in range(4)]
    assert {name for name, _ in named(rows)} == {"tcp/20000"}


def test_a_client_that_calls_one_port_on_many_servers_is_none() -> None:
    rows = [
        up(src_port=40_000, dst_port=3478, protocol=UDP, dst_address=f"203.0.113.{n + 1}") for n in range(8)
    ]
    assert {name for name, _ in named(rows)} == {"stun"}


def test_two_unknown_high_ports_are_unknown() -> None:
    assert named([up(src_port=40_000, dst_port=45_000)]) == [(UNKNOWN, -1)]


def test_an_unknown_user_port_against_a_clients_port_is_named_by_its_number() -> None:
    # RFC 6335 6: user ports against dynamic ones; a weak sign, so the roles stay unknown
    assert named([up(src_port=55_000, dst_port=20_000, protocol=UDP)]) == [("udp/20000", -1)]


def test_equal_ports_name_the_service_but_not_who_opened_it() -> None:
    assert named([up(src_port=123, dst_port=123, protocol=UDP)]) == [("ntp", -1)]


def test_ports_that_are_not_exported_name_nothing() -> None:
    assert name_of(src_port=None, dst_port=None) == UNKNOWN
    assert name_of(src_port=0, dst_port=0, protocol=UDP) == UNKNOWN


def test_pings_are_opened_by_who_asks() -> None:
    # RFC 792: echo request 8, reply 0; RFC 4443 4: 128 and 129; type * 256 + code
    rows = [
        up(protocol=ICMP, src_port=0, dst_port=8 << 8),
        down(protocol=ICMP, src_port=0, dst_port=0),
        down(protocol=ICMP, src_port=0, dst_port=8 << 8, octets=2),
        up(protocol=ICMPV6, src_port=0, dst_port=128 << 8),
        down(protocol=ICMPV6, src_port=0, dst_port=129 << 8),
    ]
    assert named(rows) == [("icmp", 1), ("icmp", 1), ("icmp", 0), ("icmp", 1), ("icmp", 1)]


def test_protocols_without_ports_are_named_by_number() -> None:
    assert [name_of(protocol=number, src_port=None, dst_port=None) for number in (50, 47, 200)] == [
        "esp",
        "gre",
        "ip/200",
    ]
    assert name_of(protocol=None) == UNKNOWN


def test_the_exporters_own_name_comes_first() -> None:
    assert name_of(application="video-call") == "video-call"
    assert name_of(application="HTTPS") == "https"  # a known name in another case is the same
    assert name_of(application="unknown") == "https"  # RFC 6759 has engines that find nothing
    assert name_of(application="") == "https"


@pytest.mark.parametrize(
    ("name", "meaning"),
    [
        ("https", "web"),
        ("stun", "video calls"),
        ("sip", "voice"),
        ("rsync", "file synchronisation"),
        ("bacula", "backup"),
        ("wsus", "software update"),
        ("ms-wbt-server", "remote desktop"),
        ("wireguard", "VPN"),
        ("imaps", "mail"),
        ("dns", "name service"),
        ("microsoft-ds", "file sharing"),
        ("bittorrent", "peer to peer"),
        ("video-call", "video calls"),
        ("Cloud-Backup", "backup"),
        ("tcp/20000", "unknown"),
        (UNKNOWN, "unknown"),
    ],
)
def test_classes_are_plain_words(name: str, meaning: str) -> None:
    assert catalogue().class_of(name) == meaning


def test_every_rule_has_a_source_and_a_class_that_exists() -> None:
    import tomllib
    from importlib.resources import files

    text = files("flowdiag.aggregator").joinpath("applications.toml").read_text("utf-8")
    rules = tomllib.loads(text)
    listed = [*rules["application"], *rules["protocol"], *rules["class"].values()]
    assert all(rule["source"].strip() for rule in listed)
    assert {rule["class"] for rule in rules["application"]} <= set(rules["class"])
    names = [rule["name"] for rule in rules["application"]]
    assert len(names) == len(set(names))
    ports = [
        (kind, port)
        for rule in rules["application"]
        for kind in ("tcp", "udp")
        for port in rule.get(kind, [])
    ]
    assert len(ports) == len(set(ports))
    assert read_catalogue(text) == catalogue()


def test_a_flow_table_of_many_names_keeps_them_apart() -> None:
    rows = [record(HOST, SERVER, src_port=50_000 + port, dst_port=port) for port in range(2000, 2200)]
    flows: SiteFlows = build(rows, site())[0]
    shown = [flows.applications[number] for number in flows.application]
    assert [name for name in shown if name.startswith("tcp/")] == [
        f"tcp/{port}" for port in range(2000, 2200) if f"tcp/{port}" in shown
    ]
    assert len(set(shown)) == 200


def test_a_syn_is_told_by_its_flags_whatever_it_carries() -> None:
    # RFC 7413: data in the SYN. 3306 is registered and 20000 is not, so that only the SYN names 20000.
    call = {"src_port": 3306, "dst_port": 20_000, "octets": 1460, "packets": 1}
    assert named([up(**call, tcp_flags=SYN)]) == [("tcp/20000", 1)]
    assert named([up(**call, tcp_flags=SYN | 0x08)]) == [("tcp/20000", 1)]  # with PSH
    for flags in (SYN_ACK, 0x10, 0, None):
        assert named([up(**call, tcp_flags=flags)]) == [("mysql", 0)], flags
    datagram = up(src_port=3478, dst_port=20_000, tcp_flags=SYN, protocol=UDP)
    assert named([datagram]) == [("stun", 0)]
