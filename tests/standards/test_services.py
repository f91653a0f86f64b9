"""Names of ports against the IANA service name and transport protocol port number registry (RFC 6335).

services.csv: port, protocol, and the registry's names with usual aliases, of those of our ports that Debian's netbase
6.4 lists in /etc/services, which is drawn from the registry.
"""

from __future__ import annotations

import csv
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, get_args

import pytest

from flowdiag.aggregator.applications import catalogue
from flowdiag.aggregator.services import CLIENT_PORTS, DYNAMIC_PORTS, SYSTEM_PORTS
from flowdiag.site.profile import Kind

NUMBERS: Final = {"tcp": 6, "udp": 17}
# What our rules name otherwise, and say so in their source; 5061 was sip-tls before the registry called it sips (from memory).
OTHERWISE: Final = {
    ("tcp", 53), ("udp", 53), ("udp", 546), ("udp", 547), ("udp", 1813), ("tcp", 9101), ("tcp", 9102), ("tcp", 9103),
    ("tcp", 5061), ("udp", 5061),
    ("tcp", 10000),  # the registry has ndmp; the list has what many administrators reach there
}  # fmt: skip


def registry() -> list[tuple[str, int, list[str]]]:
    with (Path(__file__).parent / "services.csv").open(newline="") as file:
        return [(row["protocol"], int(row["port"]), row["names"].split()) for row in csv.DictReader(file)]


@pytest.mark.parametrize(("protocol", "port", "names"), registry())
def test_a_registered_port_has_the_registrys_name(protocol: str, port: int, names: list[str]) -> None:
    ours = catalogue().ports[NUMBERS[protocol], port]
    assert (ours in names) != ((protocol, port) in OTHERWISE)


def rules() -> dict[str, Any]:
    return tomllib.loads(files("flowdiag.aggregator").joinpath("applications.toml").read_text("utf-8"))


def test_every_rule_names_its_source() -> None:
    found = rules()
    for rule in [*found["application"], *found["protocol"], *found["class"].values()]:
        assert "IANA" in rule["source"] or "RFC" in rule["source"] or "common practice" in rule["source"]


def test_the_classes_are_those_that_people_know() -> None:
    assert set(rules()["class"]) | {"unknown"} >= {
        "web", "video calls", "voice", "file synchronisation", "backup", "software update", "remote desktop", "VPN",
        "mail", "name service", "file sharing", "peer to peer", "unknown",
    }  # fmt: skip
    used = {rule["class"] for rule in [*rules()["application"], *rules()["protocol"]]}
    assert used <= set(rules()["class"])
    assert set(get_args(Kind)) == set(rules()["class"])  # what a site profile may say


def test_no_port_has_two_names() -> None:
    seen: set[tuple[str, int]] = set()
    for rule in rules()["application"]:
        for protocol in NUMBERS:
            for port in rule.get(protocol, ()):
                assert (protocol, port) not in seen, (protocol, port)
                seen.add((protocol, port))


def test_port_ranges_are_those_of_rfc_6335() -> None:
    # RFC 6335 6: system ports 0 to 1023, user ports 1024 to 49151, dynamic ports 49152 to 65535
    assert (SYSTEM_PORTS, DYNAMIC_PORTS) == (1024, 49152)
    assert SYSTEM_PORTS < CLIENT_PORTS < DYNAMIC_PORTS
