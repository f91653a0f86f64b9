"""Labels: the longest prefix wins, against a loop over networks with the standard library's ipaddress."""

from __future__ import annotations

from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network

from hypothesis import given
from hypothesis import strategies as st

from flowdiag.addresses import to_bytes
from flowdiag.aggregator.labels import Labels
from flowdiag.site.profile import Label
from tests.aggregator.tables import site


def labels(**names: str) -> Labels:
    return Labels(site(label=[Label(network=network, name=name) for name, network in names.items()]))


def test_the_longest_prefix_wins() -> None:
    found = labels(all="0.0.0.0/0", net="203.0.113.0/24", half="203.0.113.128/25", host="203.0.113.200/32")
    for address, name in [
        ("203.0.113.200", "host"),
        ("203.0.113.201", "half"),
        ("203.0.113.199", "half"),
        ("203.0.113.127", "net"),
        ("203.0.114.0", "all"),
        ("255.255.255.255", "all"),
    ]:
        assert found.label(to_bytes(address)) == name
    assert found.label(to_bytes("2001:db8::1")) is None


def test_the_end_of_the_address_space_is_no_edge() -> None:
    found = labels(rest="::/0", last="ffff:ffff:ffff:ffff:ffff:ffff:ffff:ffff/128")
    assert found.label(b"\xff" * 16) == "last"
    assert found.label(b"\xff" * 15 + b"\xfe") == "rest"


def network_of(start: int, bits: int) -> IPv4Network | IPv6Network:
    return ip_network((0xCB007100 + start, 32 - bits), strict=False)


@given(
    st.lists(st.builds(network_of, st.integers(0, 63), st.integers(0, 6)), max_size=12, unique=True),
    st.integers(-4, 70),
)
def test_labels_are_those_of_a_loop_over_all_networks(networks: list[IPv4Network], offset: int) -> None:
    address = ip_address(0xCB007100 + offset)
    holding = [network for network in networks if address in network]
    wanted = str(max(holding, key=lambda network: network.prefixlen)) if holding else None
    some = Labels(site(label=[Label(network=str(network), name=str(network)) for network in networks]))
    assert some.label(to_bytes(str(address))) == wanted
