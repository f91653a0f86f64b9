"""A site profile drafted from an invented site's export, held against what the site is."""

from __future__ import annotations

from ipaddress import ip_network
from pathlib import Path

import pytest

from flowdiag.addresses import V4_PREFIX
from flowdiag.aggregator.plan_rates import HighestRate
from flowdiag.draft.as_toml import as_toml
from flowdiag.draft.keepalives import Candidate
from flowdiag.draft.ports import Prefix
from flowdiag.draft.proposal import Draft, LinkGuess, OtherInterface, called, draft_profile
from flowdiag.draft.roles import RoleGuess
from flowdiag.scenario import activities as do
from flowdiag.scenario.exporting import Exporting
from flowdiag.scenario.library import FERRY_OFFICE, backup_in_the_afternoon
from flowdiag.scenario.scene import MINUTE, Scene
from flowdiag.scenario.site import Site, SiteLink
from flowdiag.scenario.write import enact, generator, write_export
from flowdiag.site.reading import profile_from_text
from flowdiag.text.escape import terminal

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
    down, up = (highest.mbps for highest in draft.links[0].highest)
    assert 0 < down < 100
    assert up == pytest.approx(20, rel=0.03)


def test_the_draft_is_read_back_and_marks_what_to_fill_in(draft: Draft) -> None:
    text = as_toml(draft)
    profile = profile_from_text(text, "site.toml")
    assert profile.site.exporters == [FERRY_OFFICE.exporter]
    assert [link.role for link in profile.link] == ["primary", "backup"]
    assert profile.link[1].keepalive[0].destination == "198.51.100.1"
    assert 'timezone = "UTC"  # FILL IN' in text


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
    assert (link.interface, link.role, link.guess.reason) == (7, "primary", "the only link seen")
    assert [str(prefix.network) for prefix in draft.prefixes] == ["10.20.30.0/24"]
    text = as_toml(draft)
    assert "does not tell the exporter's address" in text  # an IPFIX file has no addresses of its exporter
    assert profile_from_text(text, "").site.exporters == []


def guess(role: str = "primary", **changes: object) -> LinkGuess:
    values: dict[str, object] = {
        "interface": 2,
        "interface_name": "wan0",
        "name": "wan0",
        "guess": RoleGuess(role, "the only link seen", "if not, add one"),  # type: ignore[arg-type]
        "public_share": 0.98,
        "highest": (HighestRate(19.83, START, 60_000), HighestRate(0.02, START, 60_000)),
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


def test_plan_rates_are_comments_with_what_was_seen_and_never_values() -> None:
    text = drafted(guess())
    assert profile_from_text(text, "").without_plan() == [(0, 0), (0, 1)]
    assert (
        "# down_mbps =   # the highest seen was 19.8 Mbit/s over the 60 s from 2026-03-02T01:00:00+00:00; that is no plan\n"
        "# up_mbps =   # the highest seen was 0.02 Mbit/s over the 60 s from 2026-03-02T01:00:00+00:00; that is no plan\n"
    ) in text


def test_each_role_has_its_evidence_and_its_alternative_beside_it() -> None:
    assert '# role: primary, because the only link seen; if not, add one\nrole = "primary"\n' in drafted(
        guess()
    )


def test_networks_in_doubt_are_comments() -> None:
    own = Prefix(ip_network("198.51.100.0/24"), (1,), 0.4, False, False, "the router's own")
    text = drafted(guess(), prefixes=(Prefix(ip_network("192.168.1.0/24"), (1,), 0.6, True), own))
    assert profile_from_text(text, "").site.lan == ["192.168.1.0/24"]
    assert '  # "198.51.100.0/24",  # public addresses behind interface 1, 40% of what comes' in text
    assert profile_from_text(drafted(guess(), prefixes=(own,)), "").site.lan == []


def test_a_backup_without_keepalives_says_why() -> None:
    backup = guess("backup", name="lte", interface=3)
    assert "# no keepalive found (nothing goes out at a steady pace)" in drafted(guess(), backup)
    assert "# no keepalive found (the export is sampled)" in drafted(guess(), backup, sampled=True)


def test_every_kind_of_keepalive_is_read_back() -> None:
    place = V4_PREFIX + bytes([198, 51, 100, 1])
    keepalives = (
        Candidate(place, "icmp", 0, 10.0, 9.98, 84, 900, 150),
        Candidate(place, "tcp", 443, 0.5, 0.52, None, 500, 100),
        Candidate(place, "udp", 7, 600.0, 601.0, 40, 20, 20),
    )
    text = drafted(guess(), guess("backup", name="lte", interface=3, keepalives=keepalives))
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


@pytest.mark.parametrize(
    "name", ['wan" \\ # [link] é 😀', 'lte\nrole = "primary"\n[[link]]', "\x1b[2J\r\u2028\u202ewan'"]
)
def test_hostile_names_stay_one_line_of_text(name: str, tmp_path: Path) -> None:
    """As the export gives them: only drafting makes them printable."""
    shown = terminal(name, longest=60).strip()
    called_so = called(2, {2: shown})
    hint = RoleGuess("primary", f"it carried traffic while {called_so} carried none", "if not, not")
    text = drafted(
        guess(name=shown, interface_name=shown, guess=hint),
        others=(OtherInterface(5, shown, 1, 2, "nothing"),),
    )
    (link,) = profile_from_text(text, "").link
    assert (link.name, link.role) == (shown, "primary")
    assert all(line.isprintable() for line in text.splitlines())


def test_other_exporters_are_left_out_with_a_word() -> None:
    exporters = ((V4_PREFIX + bytes([192, 0, 2, 10]), 0.75), (V4_PREFIX + bytes([192, 0, 2, 11]), 0.25))
    text = drafted(guess(), exporters=exporters)
    assert profile_from_text(text, "").site.exporters == ["192.0.2.10"]
    assert "# 192.0.2.11 exports too: 25% of the octets; left out" in text
