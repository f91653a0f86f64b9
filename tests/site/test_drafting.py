"""A site profile drafted from an invented site's export, held against what the site is."""

from __future__ import annotations

from ipaddress import ip_network
from pathlib import Path

import pytest

from flowdiag.flows import V4_PREFIX
from flowdiag.scenario import activities as do
from flowdiag.scenario.exporting import Exporting
from flowdiag.scenario.library import FERRY_OFFICE, backup_in_the_afternoon
from flowdiag.scenario.scene import MINUTE, Scene
from flowdiag.scenario.site import Site, SiteLink
from flowdiag.scenario.write import enact, generator, write_export
from flowdiag.site.draft_keepalives import Candidate
from flowdiag.site.draft_toml import as_toml
from flowdiag.site.drafting import (
    Draft,
    LinkGuess,
    OtherInterface,
    Prefix,
    draft_profile,
    lan_prefixes,
    link_doors,
    public_share,
)
from flowdiag.site.places import Door
from flowdiag.site.reading import profile_from_text
from tests.site.test_places import ROUTER, places

START = 1_772_413_200_000  # 2 March 2026, 01:00 UTC


@pytest.fixture(scope="module")
def export(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("export")
    return write_export(
        backup_in_the_afternoon(), folder / "export.pcap", Exporting(protocol="netflow9", times="uptime")
    )


@pytest.fixture(scope="module")
def draft(export: Path) -> Draft:
    return draft_profile([export])


def test_links_and_roles_are_those_of_the_site(draft: Draft) -> None:
    fibre, lte = FERRY_OFFICE.links
    assert [(link.interface, link.role) for link in draft.links] == [
        (fibre.interfaces[0], "primary"),
        (lte.interfaces[0], "backup"),
    ]


def test_networks_inside_are_those_of_the_site(draft: Draft) -> None:
    lan = [ip_network(network) for network in FERRY_OFFICE.lan]
    assert {prefix.network.version for prefix in draft.prefixes} == {4, 6}
    for prefix in draft.prefixes:
        assert any(prefix.network.version == net.version and prefix.network.subnet_of(net) for net in lan)  # type: ignore[arg-type]
        assert prefix.interfaces == (FERRY_OFFICE.lan_interface,)


def test_the_keepalive_of_the_backup_is_found(draft: Draft) -> None:
    (keepalive,) = FERRY_OFFICE.links[1].keepalives
    (found,) = draft.links[1].keepalives
    assert (found.protocol, found.interval_s, found.packet_bytes) == ("icmp", keepalive.interval_s, 84)
    assert found.destination == V4_PREFIX + bytes([198, 51, 100, 1])


def test_the_peak_is_that_of_the_full_upload(draft: Draft) -> None:
    """The upload of 20 Mbit/s is full for half an hour; spreading blurs a minute by a few percent."""
    down, up = draft.links[0].peak_mbps
    assert 0 < down < 100
    assert up == pytest.approx(20, rel=0.03)


def test_the_draft_is_read_back_and_marks_what_to_fill_in(draft: Draft) -> None:
    text = as_toml(draft)
    profile = profile_from_text(text, "site.toml")
    assert profile.site.exporters == [FERRY_OFFICE.exporter]
    assert [link.role for link in profile.link] == ["primary", "backup"]
    assert profile.link[1].keepalive[0].destination == "198.51.100.1"
    for key in ("name = ", "timezone = ", "down_mbps = ", "up_mbps = "):
        line = next(line for line in text.splitlines() if line.startswith(key))
        assert "FILL IN" in line or key == "name = "
    assert "FILL IN the plan's rate; the highest minute seen was " in text


def test_other_interfaces_are_named_in_comments(draft: Draft) -> None:
    assert [other.index for other in draft.others] == [FERRY_OFFICE.lan_interface]
    assert '#   1 "lan0": ' in as_toml(draft)


def test_one_link_alone_is_the_primary(tmp_path: Path) -> None:
    site = Site(name="Kiosk", links=(SiteLink("dsl", 20, 5, (7,)),), lan=("10.20.30.0/24",))
    scene = Scene(site, START, START + 20 * MINUTE, generator(1), hosts=3)
    do.office(scene, scene.start, scene.end, 3)
    draft = draft_profile(
        [write_export(enact(scene), tmp_path / "export.ipfix", Exporting(protocol="ipfix"))]
    )
    (link,) = draft.links
    assert (link.interface, link.role, link.reason) == (7, "primary", "the only link seen")
    assert [str(prefix.network) for prefix in draft.prefixes] == ["10.20.30.0/24"]
    text = as_toml(draft)
    assert "does not tell the exporter's address" in text  # an IPFIX file has no addresses of its exporter
    assert profile_from_text(text, "").site.exporters == []


def guess(**changes: object) -> LinkGuess:
    values: dict[str, object] = {
        "interface": 2,
        "interface_name": "wan0",
        "name": "wan0",
        "role": "primary",
        "reason": "the only link seen",
        "public_share": 0.98,
        "octets": 10,
        "share": 1.0,
        "peak_mbps": (19.83, 0.02),
        "peak_ms": (START, START),
    }
    return LinkGuess(**(values | changes))  # type: ignore[arg-type]


def drafted(*links: LinkGuess, **changes: object) -> str:
    values: dict[str, object] = {
        "prefixes": (),
        "exporters": (),
        "links": links,
        "others": (),
        "first_ms": START,
        "last_ms": START + MINUTE,
        "sampled": False,
    }
    return as_toml(Draft(**(values | changes)))  # type: ignore[arg-type]


def test_rates_are_rounded_up_and_at_least_one() -> None:
    (link,) = profile_from_text(drafted(guess()), "").link
    assert (link.down_mbps, link.up_mbps) == (20, 1)
    for seen, proposed in (
        (0.0, 1),
        (1.01, 1.1),
        (94.2, 95),
        (100, 100),
        (941.3, 950),
        (2_345_678.0, 2_400_000),
    ):
        text = drafted(guess(peak_mbps=(seen, seen)))
        assert profile_from_text(text, "").link[0].down_mbps == proposed


def test_a_backup_without_keepalives_says_why() -> None:
    backup = guess(name="lte", interface=3, role="backup")
    assert "# no keepalive found (nothing goes out at a steady pace)" in drafted(guess(), backup)
    assert "# no keepalive found (the export is sampled)" in drafted(guess(), backup, sampled=True)


def test_every_kind_of_keepalive_is_read_back() -> None:
    place = V4_PREFIX + bytes([198, 51, 100, 1])
    keepalives = (
        Candidate(place, "icmp", 0, 10.0, 9.98, 84, 900),
        Candidate(place, "tcp", 443, 0.5, 0.52, None, 500),
        Candidate(place, "udp", 7, 600.0, 601.0, 40, 20),
    )
    text = drafted(guess(), guess(name="lte", interface=3, role="backup", keepalives=keepalives))
    read = profile_from_text(text, "").link[1].keepalive
    assert [(k.protocol, k.port, k.interval_s) for k in read] == [
        ("icmp", 0, 10),
        ("tcp", 443, 0.5),
        ("udp", 7, 600),
    ]


def test_an_export_without_interface_numbers_gives_a_link_without() -> None:
    prefix = Prefix(ip_network("192.168.1.0/24"), (), 1.0, True)
    text = drafted(guess(interface=None, interface_name="", name="link"), prefixes=(prefix,))
    assert profile_from_text(text, "").link[0].interfaces == []


def test_an_export_without_any_flow_gives_a_draft_to_fill_in() -> None:
    text = drafted(guess(interface=None, name="link", public_share=None), first_ms=None, last_ms=None)
    assert "The export covers no time that can be read." in text
    assert profile_from_text(text, "").site.lan == []


def test_quotes_and_backslashes_in_names_stay_text() -> None:
    name = 'wan" \\ # [link] é 😀'
    text = drafted(guess(name=name, interface_name=name), others=(OtherInterface(5, name, 1, 2),))
    assert profile_from_text(text, "").link[0].name == name


def test_other_exporters_are_left_out_with_a_word() -> None:
    exporters = ((V4_PREFIX + bytes([192, 0, 2, 10]), 0.75), (V4_PREFIX + bytes([192, 0, 2, 11]), 0.25))
    text = drafted(guess(), exporters=exporters)
    assert profile_from_text(text, "").site.exporters == ["192.0.2.10"]
    assert "# 192.0.2.11 exports too: 25 % of the octets; left out" in text


LAN, WAN, SPARE = Door(ROUTER, 1), Door(ROUTER, 2), Door(ROUTER, 3)


def test_a_link_brings_traffic_from_public_addresses() -> None:
    found = places(
        ("192.168.40.20", "203.0.113.9", 1, 2, 100),
        ("203.0.113.9", "192.168.40.20", 2, 1, 900),
        ("10.0.0.1", "192.168.40.20", 2, 1, 50),
    )
    assert public_share(found, LAN) == 0.0
    assert public_share(found, WAN) == pytest.approx(900 / 950)
    assert link_doors(found, found.doors(), {}) == [WAN]


def test_an_idle_backup_is_found_by_where_its_probes_go_or_by_its_name() -> None:
    rows = [("192.168.40.20", "203.0.113.9", 1, 2, 100), ("203.0.113.9", "192.168.40.20", 2, 1, 900)]
    out_only = places(*rows, ("192.168.40.1", "198.51.100.1", None, 3, 84))
    assert link_doors(out_only, out_only.doors(), {}) == [WAN, SPARE]
    private = places(*rows, ("10.64.0.1", "192.168.40.1", 3, None, 84))
    assert link_doors(private, [LAN, WAN, SPARE], {}) == [WAN]
    assert link_doors(private, [LAN, WAN, SPARE], {3: "LTE modem"}) == [WAN, SPARE]


def test_where_all_addresses_are_public_the_side_with_most_networks_is_outside() -> None:
    outside = [(f"203.0.{number}.5", "198.51.100.20", 2, 1, 10) for number in range(5)]
    found = places(("198.51.100.20", "203.0.1.5", 1, 2, 1000), *outside)
    assert link_doors(found, found.doors(), {}) == [WAN]
    prefixes = lan_prefixes(found, found.doors(), [WAN])
    assert [(str(p.network), p.interfaces, p.private) for p in prefixes] == [("198.51.100.0/24", (1,), False)]


def test_networks_inside_leave_out_strays_and_what_comes_from_outside() -> None:
    found = places(
        ("192.168.40.20", "203.0.113.9", 1, 2, 1_000_000),
        ("203.0.113.9", "192.168.40.20", 2, 1, 1_000_000),
        ("203.0.113.7", "192.168.40.20", 1, 2, 5_000),  # comes in from outside as well
        ("10.9.9.9", "203.0.113.9", 1, 2, 10),  # a stray
        ("169.254.1.1", "224.0.0.251", 1, None, 50_000),
    )
    assert [str(p.network) for p in lan_prefixes(found, [LAN, WAN], [WAN])] == ["192.168.40.0/24"]


def test_many_networks_of_one_private_block_are_proposed_as_one() -> None:
    few = places(*((f"10.1.{number}.9", "203.0.113.9", 1, 2, 10) for number in (2, 3, 7)))
    assert [str(p.network) for p in lan_prefixes(few, [LAN, WAN], [WAN])] == ["10.1.2.0/23", "10.1.7.0/24"]
    many = places(*((f"10.1.{number}.9", "203.0.113.9", 1, 2, 10) for number in range(0, 40, 4)))
    assert [str(p.network) for p in lan_prefixes(many, [LAN, WAN], [WAN])] == ["10.1.0.0/16"]


def test_without_interface_numbers_private_networks_are_inside() -> None:
    found = places(("192.168.40.20", "203.0.113.9", None, None, 9), ("203.0.113.9", "192.168.40.20", 0, 0, 9))
    (door,) = found.doors()
    assert link_doors(found, [door], {}) == [Door(ROUTER, None)]
    assert [str(p.network) for p in lan_prefixes(found, [door], [door])] == ["192.168.40.0/24"]
