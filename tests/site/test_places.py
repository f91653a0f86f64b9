"""Who stands behind which interface."""

from __future__ import annotations

from ipaddress import ip_address, ip_network

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowdiag.addresses import V4_PREFIX
from flowdiag.draft.networks import (
    Interface,
    Traffic,
    as_network,
    collect_traffic,
    is_private,
    is_special,
    networks_of,
)
from flowdiag.flows import ADDRESS, FLOW_SCHEMA

ROUTER = V4_PREFIX + bytes([192, 0, 2, 10])


def octets(text: str) -> bytes:
    packed = ip_address(text).packed
    return V4_PREFIX + packed if len(packed) == 4 else packed


def batch(*rows: tuple[str | None, str | None, int | None, int | None, int]) -> pa.RecordBatch:
    """Rows of source, destination, ingress, egress, octets."""
    columns = {field.name: [None] * len(rows) for field in FLOW_SCHEMA}
    columns["src_address"] = [None if row[0] is None else octets(row[0]) for row in rows]
    columns["dst_address"] = [None if row[1] is None else octets(row[1]) for row in rows]
    columns["ingress_interface"] = [row[2] for row in rows]
    columns["egress_interface"] = [row[3] for row in rows]
    columns["octets"] = [row[4] for row in rows]
    columns["exporter"] = [ROUTER] * len(rows)
    return pa.RecordBatch.from_pydict(columns, FLOW_SCHEMA)


def traffic(*rows: tuple[str | None, str | None, int | None, int | None, int]) -> Traffic:
    return collect_traffic([batch(*rows)])


def test_octets_are_counted_by_network_where_they_arrive_and_where_they_leave() -> None:
    found = traffic(
        ("192.168.40.20", "203.0.113.9", 1, 2, 100),
        ("192.168.40.21", "203.0.113.8", 1, 2, 50),
        ("2001:db8:40:1::5", "2001:db8:ffff::1", 1, 2, 7),
    )
    inside, outside = Interface(ROUTER, 1), Interface(ROUTER, 2)
    assert found.arriving[inside] == {octets("192.168.40.0"): 150, octets("2001:db8:40:1::"): 7}
    assert found.leaving[outside] == {octets("203.0.113.0"): 150, octets("2001:db8:ffff::"): 7}
    assert found.interfaces() == [inside, outside]
    assert found.exporters() == {ROUTER: 157}


def test_batches_add_up() -> None:
    one = batch(("192.0.2.1", "192.0.2.2", 1, 2, 100))
    assert collect_traffic([one, one]).arriving[Interface(ROUTER, 1)] == {octets("192.0.2.0"): 200}


def test_interface_zero_is_no_interface() -> None:
    """RFC 2863: an InterfaceIndex is above 0."""
    assert traffic(("192.0.2.1", "192.0.2.2", 0, None, 1)).interfaces() == [Interface(ROUTER, None)]


def test_records_without_addresses_are_passed_over() -> None:
    assert traffic((None, None, 1, 2, 9)).interfaces() == []


def test_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("flowdiag.draft.networks.MAX_NETWORKS", 2)
    found = traffic(*((f"203.0.{number}.1", None, 1, None, 10) for number in range(5)))
    networks = found.arriving[Interface(ROUTER, 1)]
    assert len(networks) == 3
    assert sum(networks.values()) == 50


@given(st.lists(st.none() | st.ip_addresses(), max_size=20), st.integers(0, 3))
def test_networks_are_the_first_addresses_of_a_24_or_64(addresses: list[object], begin: int) -> None:
    texts = [None if address is None else str(address) for address in addresses]
    array = pa.array([None if text is None else octets(text) for text in texts], ADDRESS)[begin:]
    expected = []
    for text in texts[begin:]:
        mapped = None if text is None else getattr(ip_address(text), "ipv4_mapped", None) or ip_address(text)
        expected.append(
            None if mapped is None else ip_network((mapped, 24 if mapped.version == 4 else 64), strict=False)
        )
    found = [None if first is None else as_network(first) for first in networks_of(array).to_pylist()]
    assert found == expected


@pytest.mark.parametrize(
    ("network", "private", "special"),
    [
        ("10.1.2.0/24", True, False),  # RFC 1918
        ("172.31.255.0/24", True, False),
        ("172.32.0.0/24", False, False),
        ("192.168.0.0/24", True, False),
        ("fd12:3456:789a:1::/64", True, False),  # RFC 4193
        ("203.0.113.0/24", False, False),
        ("100.64.0.0/24", False, False),  # RFC 6598: the carrier's, outside
        ("169.254.1.0/24", False, True),  # RFC 3927
        ("239.1.2.0/24", False, True),  # RFC 5771
        ("255.255.255.0/24", False, True),
        ("fe80::/64", False, True),
        ("ff02::/64", False, True),
        ("::/64", False, True),
        ("2001:db8::/64", False, False),
    ],
)
def test_kinds_of_networks(network: str, private: bool, special: bool) -> None:
    """RFC 6890 registers the blocks."""
    assert (is_private(ip_network(network)), is_special(ip_network(network))) == (private, special)


def test_interfaces_without_end_are_not_all_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("flowdiag.draft.networks.MAX_INTERFACES", 3)
    found = traffic(*(("10.0.0.1", "198.51.100.1", index, index + 100, 10) for index in range(1, 9)))
    assert (len(found.arriving), len(found.leaving), len(found.across)) == (3, 3, 3)
