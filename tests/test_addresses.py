"""Addresses and sets of networks."""

from __future__ import annotations

from ipaddress import ip_address, ip_network

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.address_ranges import AddressRanges
from flowdiag.addresses import to_bytes, to_text
from flowdiag.aggregator.labels import Labels
from flowdiag.site.profile import Label
from tests.aggregator.tables import site


def test_ipv4_is_mapped() -> None:
    # RFC 4291 2.5.5.2
    assert to_bytes("192.0.2.1") == bytes(10) + b"\xff\xff\xc0\x00\x02\x01"
    assert to_text(to_bytes("192.0.2.1")) == "192.0.2.1"


def test_ipv6_is_shown_in_the_form_of_rfc_5952() -> None:
    # RFC 5952 4.2.1, 4.2.3 and 4.3: shortened as much as possible, the first of equal runs, lower case
    assert to_text(to_bytes("2001:0DB8:0:0:1:0:0:1")) == "2001:db8::1:0:0:1"


def test_what_is_no_address_is_an_error() -> None:
    with pytest.raises(ValueError, match="does not appear"):
        to_bytes("192.0.2.256")


def test_ranges_hold_their_first_and_last_address_only() -> None:
    ranges = AddressRanges(["192.0.2.0/25", "2001:db8::/48", "198.51.100.7"])
    inside = ["192.0.2.0", "192.0.2.127", "2001:db8:0:ffff:ffff:ffff:ffff:ffff", "198.51.100.7", "2001:db8::"]
    outside = ["192.0.1.255", "192.0.2.128", "2001:db8:1::", "198.51.100.6", "::", "::c000:201"]
    found = ranges.contains([to_bytes(text) for text in inside + outside]).tolist()
    assert found == [True] * len(inside) + [False] * len(outside)


def test_an_empty_set_holds_nothing() -> None:
    assert AddressRanges([]).contains([to_bytes("192.0.2.1")]).tolist() == [False]
    assert AddressRanges(["192.0.2.0/24"]).contains([]).tolist() == []


networks = st.builds(
    lambda value, width: ip_network((value, width), strict=False),
    st.integers(0xC0000000, 0xC00003FF),
    st.integers(22, 32),
)


@given(st.lists(networks, max_size=8, unique=True), st.integers(0xC0000000, 0xC00003FF))
def test_labels_and_ranges_equal_a_look_at_every_network(some: list, value: int) -> None:  # type: ignore[type-arg]
    address = ip_address(value)
    holding = [network for network in some if address in network]
    packed = to_bytes(str(address))
    assert AddressRanges([str(network) for network in some]).contains([packed]).tolist() == [bool(holding)]
    labels = Labels(site(label=[Label(network=str(network), name=f"net {network}") for network in some]))
    longest = max(holding, key=lambda network: network.prefixlen, default=None)
    assert labels.label(packed) == (None if longest is None else f"net {longest}")


def test_the_longest_prefix_names_an_address_and_wider_ones_the_rest() -> None:
    named = [("0.0.0.0/0", "IPv4"), ("192.168.40.0/24", "LAN"), ("192.168.40.20/32", "archive")]
    labels = Labels(site(label=[Label(network=network, name=name) for network, name in named]))
    shown = [
        "192.168.40.19",
        "192.168.40.20",
        "192.168.40.21",
        "192.168.41.0",
        "255.255.255.255",
        "2001:db8::1",
    ]
    assert [labels.label(to_bytes(text)) for text in shown] == ["LAN", "archive", "LAN", "IPv4", "IPv4", None]
