"""Two hosts at an Open vSwitch that exports what they say to a collector: `python -m tests.collector.live.switch ipfix FOLDER`.

Runs in network and process namespaces of its own (see test_switch.py), so that all of it ends with it: the switch's ports
and the collector are here, each host in a namespace below. Prints what the kernel counted at the switch's ports, and what
is in the store, as JSON.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Final, Literal, NamedTuple

import pyarrow.compute as pc

from flowdiag import read_export
from flowdiag.errors import FlowdiagError
from tests.collector.live import switch_traffic
from tests.collector.live.open_vswitch import Namespace, Switch, run
from tests.collector.live.running import Running

PORTS: Final = ("port1", "port2")
ETHERNET: Final = 14
# An exporter that tells flows after a second has told all by then.
PATIENCE_S: Final = 20.0

# Packets and octets.
Counts = tuple[int, int]


class Host(Namespace):
    """A network namespace of its own, joined to the switch by a pair of interfaces: portN there, eth0 here."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self._number, self._other = number, 3 - number
        self.join("eth0", f"port{number}")

    def up(self) -> None:
        """Joins the network, without addresses yet. Checksums are done by whoever sends; nobody asks by ARP, which is no
        IP flow."""
        self.run("sysctl", "-qw", "net.ipv6.conf.all.disable_ipv6=1")
        self.run("ethtool", "-K", "eth0", "tx", "off")
        self.run("ip", "link", "set", "eth0", "address", self._mac(self._number), "arp", "off", "up")

    def live_in(self, networks: Sequence[str]) -> None:
        """Takes an address in each network, and is told who the other host is."""
        for network in networks:
            if ":" in network:
                self.run("sysctl", "-qw", "net.ipv6.conf.all.disable_ipv6=0")
            address = f"{network}{self._number}/{'64' if ':' in network else '24'}"
            self.run("ip", "addr", "add", address, "dev", "eth0", *(["nodad"] if ":" in network else []))
            neighbour = [f"{network}{self._other}", "lladdr", self._mac(self._other)]
            self.run("ip", "neigh", "add", *neighbour, "dev", "eth0")

    @staticmethod
    def _mac(number: int) -> str:
        return f"02:00:00:00:00:0{number}"


class Export(NamedTuple):
    """How the switch is told to export; what it calls its ports; octets of a frame that it does not count: IPFIX has the
    octets of IP packets, the switch's NetFlow those of whole frames; what it tells: "rx", and "tx" for packets that went
    out; networks of the hosts."""

    table: str
    port: Literal["ifindex", "ofport"]
    unseen: int
    directions: tuple[str, ...]
    networks: tuple[str, ...]


EXPORTS: Final = {
    "ipfix": Export(
        "IPFIX sampling=1 obs_domain_id=7 obs_point_id=1 cache_active_timeout=1 cache_max_flows=1000",
        "ifindex", ETHERNET, ("rx", "tx"), ("192.0.2.", "2001:db8::"),
    ),
    "netflow": Export("NetFlow active_timeout=1", "ofport", 0, ("rx",), ("192.0.2.",)),
}  # fmt: skip


def measured(protocol: str, folder: Path) -> dict[str, dict[str, Counts]]:
    """Packets and octets by port and direction: "told" by the switch, "counted" by the kernel."""
    export = EXPORTS[protocol]
    run("ip", "link", "set", "lo", "up")
    run("sysctl", "-qw", "net.ipv6.conf.default.disable_ipv6=1")  # the ports themselves say nothing
    hosts = [Host(number) for number in (1, 2)]
    with ExitStack() as started:
        running = started.enter_context(Running(folder / "store"))
        switch = Switch(folder / "switch", started)
        switch.set("set", "Open_vSwitch", ".", "other_config:max-idle=1000")
        switch.bridge("br0", {port: number for number, port in enumerate(PORTS, 1)})
        switch.export("br0", protocol, export.table, running.port)
        talk(*hosts, export.networks)
        until = time.monotonic() + PATIENCE_S
        while True:  # IPv6 hosts say this and that unasked, seconds apart
            counted, numbers = counters(export)
            told = in_store(running.store, numbers, export.directions)
            if told == counted or time.monotonic() > until:
                break
            time.sleep(0.3)
        assert running.end() == 0, running.log
        return {"counted": counted, "told": told}


def talk(client: Host, server: Host, networks: Sequence[str]) -> None:
    """Traffic between the hosts. Both are there before either can say anything."""
    for host in (server, client):
        host.up()
    for host in (server, client):
        host.live_in(networks)
    traffic = [sys.executable, switch_traffic.__file__]
    with server.start(*traffic, "serve") as serving:
        assert serving.stdout is not None
        assert serving.stdout.readline() == "ready\n"
        client.run(*traffic, "ask", *(f"{network}2" for network in networks))
        serving.kill()


def counters(export: Export) -> tuple[dict[str, Counts], list[int]]:
    """What the kernel counts at the ports, in the exporter's octets, and what the exporter calls the ports."""
    links = {link["ifname"]: link for link in json.loads(run("ip", "-json", "-stats", "link"))}
    counted = {
        f"{port} {direction}": (count["packets"], count["bytes"] - export.unseen * count["packets"])
        for port in PORTS
        for direction in export.directions
        for count in [links[port]["stats64"][direction]]
    }
    return counted, [links[port]["ifindex"] for port in PORTS] if export.port == "ifindex" else [1, 2]


def in_store(store: Path, numbers: Sequence[int], directions: Sequence[str]) -> dict[str, Counts]:
    """Packets and octets of the flow records. A record is of packets that came in unless it says that they went out."""
    try:
        flows = read_export(store)
    except FlowdiagError:  # nothing is in it yet
        return {}
    went_out = pc.equal(pc.fill_null(flows["direction"], 0), 1)
    of_direction = {
        "rx": (flows["ingress_interface"], pc.invert(went_out)),
        "tx": (flows["egress_interface"], went_out),
    }
    found = {}
    for number, port in zip(numbers, PORTS, strict=True):
        for direction in directions:
            interface, chosen = of_direction[direction]
            its = flows.filter(pc.and_(pc.equal(interface, number), chosen))
            found[f"{port} {direction}"] = pc.sum(its["packets"]).as_py(), pc.sum(its["octets"]).as_py()
    return found


if __name__ == "__main__":
    print(json.dumps(measured(sys.argv[1], Path(sys.argv[2]))))
