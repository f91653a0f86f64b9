"""Names for outside addresses: databases written by another program, and a name server of our own on loopback."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import dns.message
import dns.rcode
import dns.rdatatype
import dns.reversename
import dns.rrset
import pytest
from dns.resolver import Resolver
from mmdb_writer import MMDBWriter
from netaddr import IPSet

from flowdiag.addresses import to_bytes
from flowdiag.aggregator.outside_names import MAX_NAME, Network, NetworkDatabases, resolve_names
from flowdiag.errors import FlowdiagError


def database(path: Path, networks: dict[str, Any]) -> Path:
    """A database in MaxMind DB format, by an independent writer."""
    writer = MMDBWriter(ip_version=6, ipv4_compatible=True, database_type="test networks")
    for network, content in networks.items():
        writer.insert_network(IPSet([network]), content)
    writer.to_db_file(str(path))
    return path


def test_owner_and_country_come_from_the_databases(tmp_path: Path) -> None:
    owners = database(
        tmp_path / "owners.mmdb",
        {
            "203.0.113.0/24": {"autonomous_system_organization": "Example Hosting"},
            "2001:db8:ffff::/48": {"as_name": "Example Six"},
        },
    )
    countries = database(tmp_path / "countries.mmdb", {"203.0.113.0/24": {"country": {"iso_code": "NZ"}}})
    databases = NetworkDatabases([owners, countries])
    assert databases.look_up(to_bytes("203.0.113.9")) == Network("Example Hosting", "NZ")
    assert databases.look_up(to_bytes("2001:db8:ffff::9")) == Network("Example Six", None)
    assert databases.look_up(to_bytes("198.51.100.1")) == Network()


def test_records_of_other_shapes_cost_nothing(tmp_path: Path) -> None:
    odd = database(
        tmp_path / "odd.mmdb",
        {
            "192.0.2.0/25": {"as_name": 7, "country": "FJ"},
            "192.0.2.128/25": {"as_name": "x" * 1000, "registered_country": {"iso_code": "AU"}},
        },
    )
    databases = NetworkDatabases([odd])
    assert databases.look_up(to_bytes("192.0.2.1")) == Network(None, "FJ")
    assert databases.look_up(to_bytes("192.0.2.200")) == Network("x" * MAX_NAME, "AU")


def test_a_damaged_record_is_no_record(tmp_path: Path) -> None:
    path = database(tmp_path / "one.mmdb", {"203.0.113.0/24": {"as_name": "Example"}})
    content = path.read_bytes()
    path.write_bytes(content.replace(b"\x47as_name", b"\xff\xff\xff\xff\xff\xff\xff\xff"))
    assert NetworkDatabases([path]).look_up(to_bytes("203.0.113.9")) == Network()


@pytest.mark.parametrize("content", [b"", b"[site]\n", bytes(4096)])
def test_another_file_is_one_clear_error(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "no.mmdb"
    path.write_bytes(content)
    with pytest.raises(FlowdiagError, match="MaxMind DB"):
        NetworkDatabases([path])


@contextmanager
def name_server(names: dict[str, str], *, silent: bool = False) -> Iterator[Resolver]:
    """A resolver that asks a server on loopback, which knows these names by address, or never answers."""
    known = {dns.reversename.from_address(address): name for address, name in names.items()}
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as listening:
        listening.bind(("127.0.0.1", 0))
        listening.settimeout(0.05)
        stop = threading.Event()

        def serve() -> None:
            while not stop.is_set():
                try:
                    octets, asker = listening.recvfrom(4096)
                except TimeoutError:
                    continue
                if silent:
                    continue
                query = dns.message.from_wire(octets)
                answer = dns.message.make_response(query)
                name = query.question[0].name
                if name in known:
                    answer.answer.append(dns.rrset.from_text(name, 60, "IN", "PTR", known[name]))
                else:
                    answer.set_rcode(dns.rcode.NXDOMAIN)
                listening.sendto(answer.to_wire(), asker)

        thread = threading.Thread(target=serve)
        thread.start()
        resolver = Resolver(configure=False)
        resolver.nameservers = ["127.0.0.1"]
        resolver.port = listening.getsockname()[1]
        try:
            yield resolver
        finally:
            stop.set()
            thread.join()


def test_names_come_from_the_name_server() -> None:
    names = {"203.0.113.9": "backup.example.", "2001:db8:ffff::9": "six.example."}
    asked = [to_bytes(text) for text in (*names, "198.51.100.1", "203.0.113.9")]
    with name_server(names) as resolver:
        found = resolve_names(asked, resolver=resolver)
    assert found == {
        to_bytes("203.0.113.9"): "backup.example",
        to_bytes("2001:db8:ffff::9"): "six.example",
    }


def test_a_silent_name_server_costs_the_limit_and_no_more() -> None:
    with name_server({}, silent=True) as resolver:
        started = time.monotonic()
        found = resolve_names([to_bytes(f"203.0.113.{n}") for n in range(40)], 0.5, resolver)
        took = time.monotonic() - started
    assert found == {}
    assert 0.4 <= took < 2.0  # threads of a busy machine start late


def test_nothing_is_asked_without_time() -> None:
    with name_server({"203.0.113.9": "backup.example."}) as resolver:
        assert resolve_names([to_bytes("203.0.113.9")], 0.0, resolver) == {}
