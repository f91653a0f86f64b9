"""Links told from ports of the site's own, and networks inside from those outside."""

from __future__ import annotations

import pytest

from flowdiag.draft.networks import Interface
from flowdiag.draft.ports import lan_prefixes, link_interfaces, passed_through, public_share, why_no_link
from tests.site.test_places import ROUTER, traffic

ROWS = (("192.168.40.20", "203.0.113.9", 1, 2, 100), ("203.0.113.9", "192.168.40.20", 2, 1, 900))
LAN, WAN, SPARE = Interface(ROUTER, 1), Interface(ROUTER, 2), Interface(ROUTER, 3)


def test_a_link_brings_traffic_from_public_addresses() -> None:
    found = traffic(
        ("192.168.40.20", "203.0.113.9", 1, 2, 100),
        ("203.0.113.9", "192.168.40.20", 2, 1, 900),
        ("10.0.0.1", "192.168.40.20", 2, 1, 50),
    )
    assert public_share(found, LAN) == 0.0
    assert public_share(found, WAN) == pytest.approx(900 / 950)
    assert link_interfaces(found, found.interfaces(), {}) == [WAN]


def test_an_idle_backup_is_found_by_answers_or_by_its_name() -> None:
    answered = traffic(
        *ROWS, ("192.168.40.1", "198.51.100.1", None, 3, 84), ("198.51.100.1", "192.168.40.1", 3, None, 84)
    )
    assert link_interfaces(answered, answered.interfaces(), {}) == [WAN, SPARE]
    private = traffic(*ROWS, ("10.64.0.1", "192.168.40.1", 3, None, 84))
    assert link_interfaces(private, [LAN, WAN, SPARE], {}) == [WAN]
    assert link_interfaces(private, [LAN, WAN, SPARE], {3: "LTE modem"}) == [WAN, SPARE]


def test_an_interface_at_which_nothing_arrives_is_no_link_whatever_its_name() -> None:
    mirror = traffic(
        *ROWS, ("203.0.113.9", "192.168.40.20", 2, 3, 900), ("192.168.40.20", "203.0.113.9", 1, 3, 100)
    )
    for name in ("mirror", "backup0"):
        assert link_interfaces(mirror, mirror.interfaces(), {3: name}) == [WAN]
    assert "nothing arrived there" in why_no_link(mirror, SPARE, [WAN])
    assert "whose probes get no answer" in why_no_link(mirror, SPARE, [WAN])


def test_a_port_of_the_site_named_like_a_backup_exchanges_traffic_with_the_link() -> None:
    """Wi-Fi of 5 GHz, a VLAN for backups."""
    found = traffic(
        *ROWS, ("192.168.50.7", "203.0.113.9", 3, 2, 500), ("203.0.113.9", "192.168.50.7", 2, 3, 500)
    )
    assert link_interfaces(found, found.interfaces(), {3: "wlan-5g"}) == [WAN]
    assert "100% of what arrived came from private addresses" in why_no_link(found, SPARE, [WAN])


def test_servers_with_public_addresses_are_no_second_link() -> None:
    """Two networks arrive from outside, one from the servers, and both exchange traffic: a site is no transit."""
    found = traffic(
        *ROWS, ("198.51.100.7", "192.0.2.80", 2, 3, 400), ("192.0.2.80", "198.51.100.7", 3, 2, 4000)
    )
    assert link_interfaces(found, found.interfaces(), {}) == [WAN]
    prefixes = lan_prefixes(found, found.interfaces(), [WAN])
    assert [(str(p.network), p.interfaces, p.proposed) for p in prefixes] == [
        ("192.0.2.0/24", (3,), True),
        ("192.168.40.0/24", (1,), True),
    ]
    assert "the router's own address after translation" in (prefixes[0].alternative or "")
    assert "as servers of the site do" in why_no_link(found, SPARE, [WAN])


def test_a_site_of_ipv6_alone_has_public_addresses_on_both_sides() -> None:
    found = traffic(
        *(("2001:db8:40:1::5", f"2001:db8:{n}::1", 1, 2, 50) for n in range(100, 104)),
        *((f"2001:db8:{n}::1", "2001:db8:40:1::5", 2, 1, 800) for n in range(100, 104)),
    )
    assert link_interfaces(found, found.interfaces(), {}) == [WAN]
    assert [str(p.network) for p in lan_prefixes(found, found.interfaces(), [WAN])] == ["2001:db8:40:1::/64"]


def test_where_the_way_out_is_not_exported_destinations_tell_who_exchanges_with_whom() -> None:
    found = traffic(
        *((f"203.0.{n}.5", "2001:db8:40:1::5", 2, None, 10) for n in range(3)),
        ("2001:db8:40:1::5", "203.0.1.5", 1, None, 1000),
    )
    assert found.between() == {(LAN, WAN): 1030}
    assert link_interfaces(found, found.interfaces(), {}) == [WAN]


def test_two_lines_are_two_links_as_nothing_goes_from_one_to_the_other() -> None:
    found = traffic(
        *ROWS, ("192.168.40.21", "198.51.100.9", 1, 3, 100), ("198.51.100.9", "192.168.40.21", 3, 1, 700)
    )
    assert link_interfaces(found, found.interfaces(), {}) == [WAN, SPARE]


def test_several_ports_of_the_site_are_no_links() -> None:
    """Two hosts' ports of a switch, and VLANs of one trunk, talk to each other and out."""
    found = traffic(
        *ROWS,
        ("192.168.50.7", "203.0.113.9", 3, 2, 50),
        ("203.0.113.9", "192.168.50.7", 2, 3, 500),
        ("192.168.50.7", "192.168.40.20", 3, 1, 9000),
        ("192.168.40.20", "192.168.50.7", 1, 3, 9000),
    )
    assert link_interfaces(found, found.interfaces(), {}) == [WAN]
    assert {str(p.network) for p in lan_prefixes(found, found.interfaces(), [WAN])} == {
        "192.168.40.0/24",
        "192.168.50.0/24",
    }


def test_the_address_after_translation_is_not_proposed_as_inside() -> None:
    """Each packet before and after: 192.168.40.20 at the LAN port, and the router's 198.51.100.7."""
    copies = [("198.51.100.7", "203.0.113.9", 1, 2, 100), ("203.0.113.9", "198.51.100.7", 2, 1, 900)]
    found = traffic(*ROWS, *copies)
    assert link_interfaces(found, found.interfaces(), {}) == [WAN]
    inside, own = lan_prefixes(found, found.interfaces(), [WAN])
    assert (str(inside.network), inside.proposed) == ("192.168.40.0/24", True)
    assert (str(own.network), own.proposed, own.share) == ("198.51.100.0/24", False, 0.5)
    assert "if the site has servers there" in (own.alternative or "")


def test_shared_addresses_of_a_carrier_are_outside() -> None:
    """RFC 6598: the gateway of a cellular line answers from 100.64.0.1, and translation shows 100.64.9.9."""
    found = traffic(
        *ROWS, ("100.64.0.1", "100.64.9.9", 3, None, 84), ("100.64.9.9", "203.0.113.9", 1, 2, 100)
    )
    assert link_interfaces(found, found.interfaces(), {}) == [WAN, SPARE]
    (_, shared) = lan_prefixes(found, found.interfaces(), [WAN, SPARE])
    assert (str(shared.network), shared.proposed) == ("100.64.9.0/24", False)
    assert "RFC 6598" in (shared.alternative or "")


def test_where_all_addresses_are_public_the_side_with_most_networks_is_outside() -> None:
    outside = [(f"203.0.{number}.5", "198.51.100.20", 2, 1, 10) for number in range(5)]
    found = traffic(("198.51.100.20", "203.0.1.5", 1, 2, 1000), *outside)
    assert link_interfaces(found, found.interfaces(), {}) == [WAN]
    prefixes = lan_prefixes(found, found.interfaces(), [WAN])
    assert [(str(p.network), p.interfaces, p.private) for p in prefixes] == [("198.51.100.0/24", (1,), False)]


def test_networks_inside_leave_out_strays_and_what_comes_from_outside() -> None:
    found = traffic(
        ("192.168.40.20", "203.0.113.9", 1, 2, 1_000_000),
        ("203.0.113.9", "192.168.40.20", 2, 1, 1_000_000),
        ("203.0.113.7", "192.168.40.20", 1, 2, 5_000),  # comes in from outside as well
        ("10.9.9.9", "203.0.113.9", 1, 2, 10),  # a stray
        ("169.254.1.1", "224.0.0.251", 1, None, 50_000),
    )
    assert [str(p.network) for p in lan_prefixes(found, [LAN, WAN], [WAN])] == ["192.168.40.0/24"]


def test_many_networks_of_one_private_block_are_proposed_as_one() -> None:
    few = traffic(*((f"10.1.{number}.9", "203.0.113.9", 1, 2, 10) for number in (2, 3, 7)))
    assert [str(p.network) for p in lan_prefixes(few, [LAN, WAN], [WAN])] == ["10.1.2.0/23", "10.1.7.0/24"]
    many = traffic(*((f"10.1.{number}.9", "203.0.113.9", 1, 2, 10) for number in range(0, 40, 4)))
    assert [str(p.network) for p in lan_prefixes(many, [LAN, WAN], [WAN])] == ["10.1.0.0/16"]


def test_without_interface_numbers_private_networks_are_inside() -> None:
    found = traffic(
        ("192.168.40.20", "203.0.113.9", None, None, 9), ("203.0.113.9", "192.168.40.20", 0, 0, 9)
    )
    (interface,) = found.interfaces()
    assert link_interfaces(found, [interface], {}) == [Interface(ROUTER, None)]
    assert [str(p.network) for p in lan_prefixes(found, [interface], [interface])] == ["192.168.40.0/24"]


TRANSLATED = (
    ("192.168.40.20", "203.0.113.9", 1, 4, 100),
    ("192.0.2.80", "203.0.113.9", 4, 2, 100),
    ("203.0.113.9", "192.0.2.80", 2, 4, 900),
    ("203.0.113.9", "192.168.40.20", 4, 1, 900),
)


def test_the_place_where_a_router_translates_addresses_is_no_link() -> None:
    """Metered on both sides of it: 1,000 octets each way between the LAN and the place, and as many beyond it."""
    found, between = traffic(*TRANSLATED), Interface(ROUTER, 4)
    assert link_interfaces(found, found.interfaces(), {}) == [WAN]
    assert passed_through(found) == {between}
    assert "translates addresses" in why_no_link(found, between, [WAN], {between})


def test_a_port_of_servers_that_exchange_more_with_the_world_than_inside_is_none_such() -> None:
    found = traffic(*TRANSLATED, ("192.0.2.80", "203.0.113.9", 4, 2, 300))
    assert passed_through(found) == set()
    assert "as servers of the site do" in why_no_link(found, Interface(ROUTER, 4), [WAN])
