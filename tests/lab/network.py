"""The lab's network: hosts, a switch that exports, two uplinks with a rate, and servers behind them.

Runs in namespaces of its own (tests/collector/live/apart.py), so that all of it ends with it. The upload is shaped where the
switch hands packets to the uplink, so that the switch tells what was offered; the download where the servers hand theirs to
it, so that it tells what was carried.
"""

from __future__ import annotations

import json
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final

from tests.collector.live.open_vswitch import Namespace, Switch, run
from tests.lab.doing import SERVERS, Rates, Run, Step

# ifIndex, and the switch's own number, of each port.
PORTS: Final = {"studio": 11, "office": 12, "wan1": 21, "wan2": 22, "gate": 31}
UPLINKS: Final = {"wan1": "eth1", "wan2": "eth2"}
HOSTS: Final = {"studio": "192.168.40.11", "office": "192.168.40.12"}
ADDRESSES: Final = HOSTS | {"gate": "192.0.2.2"}
CHECKED: Final = "203.0.113.1"
MACS: Final = {"studio": "02:00:00:00:40:11", "office": "02:00:00:00:40:12", "gate": "02:00:00:00:00:02"}
SERVERS_MAC: Final = "02:00:00:00:00:01"
# Octets that may wait for an uplink: 130 ms of the main upload, 67 ms of the main download, 0.3 s of the backup's upload.
QUEUES: Final = {"wan1": (100_000, 48_000), "wan2": (64_000, 36_000)}
BURST: Final = 8_000
# Seconds after which the switch tells of a flow that goes on.
ACTIVE_S: Final = 5
EXPORTS: Final = {
    "ipfix": f"IPFIX sampling=1 obs_domain_id=7 obs_point_id=1 cache_active_timeout={ACTIVE_S} cache_max_flows=4000",
    "netflow": f"NetFlow active_timeout={ACTIVE_S}",
}


class Network:
    def __init__(self, run_: Run, folder: Path, collector: int, started: ExitStack) -> None:
        run("ip", "link", "set", "lo", "up")
        run("sysctl", "-qw", "net.ipv6.conf.default.disable_ipv6=1")  # the ports themselves say nothing
        self.places = {name: Namespace() for name in (*HOSTS, "gate")}
        self.servers = Namespace()
        for place in (self.servers, *self.places.values()):
            place.run(
                "sysctl", "-qw", "net.ipv6.conf.default.disable_ipv6=1"
            )  # nor do those behind them, unasked
        for name, index in PORTS.items():
            if name in UPLINKS:
                self.servers.join(UPLINKS[name], name, index)
            else:
                self.places[name].join("eth0", name, index)
        self._switch = Switch(folder, started)
        self._switch.set("set", "Open_vSwitch", ".", "other_config:max-idle=1000")
        self._switch.bridge("br0", PORTS)
        self._switch.set("set", "bridge", "br0", "fail_mode=secure")
        for uplink in UPLINKS:  # nobody but this program shapes them
            hands_off = ["--", "--id=@none", "create", "qos", "type=linux-noop"]
            self._switch.set("set", "port", uplink, "qos=@none", *hands_off)
        self._switch.export("br0", run_.protocol, EXPORTS[run_.protocol], collector)
        self._uplink, self._leaks = "wan1", False
        self._settle(run_)

    def _settle(self, run_: Run) -> None:
        self.servers.run("ip", "link", "set", "lo", "up")
        for address in (CHECKED, *SERVERS):
            self.servers.run("ip", "addr", "add", f"{address}/32", "dev", "lo")
        for uplink, far in UPLINKS.items():
            self.servers.run("ethtool", "-K", far, "tx", "off")
            self.servers.run("ip", "link", "set", far, "address", SERVERS_MAC, "arp", "off")
            self._join(uplink)
            rates = run_.shaped if uplink == "wan1" else run_.backup
            self.shape(uplink, rates, "add")
        for name, place in self.places.items():
            address = ADDRESSES[name]
            place.run("ethtool", "-K", "eth0", "tx", "off")
            place.run("ip", "link", "set", "eth0", "address", MACS[name], "arp", "off", "up")
            place.run("ip", "addr", "add", f"{address}/32", "dev", "eth0")
            place.run("ip", "route", "add", "203.0.113.0/24", "dev", "eth0", "src", address)
            for server in (CHECKED, *SERVERS):
                place.run("ip", "neigh", "add", server, "lladdr", SERVERS_MAC, "dev", "eth0")
        self._direct()

    def shape(self, uplink: str, rates: Rates, change: str = "change") -> None:
        """change: the word of `tc` for what becomes of the shaper."""
        down, up = QUEUES[uplink]
        for program, interface, mbps, queue in (
            (self.servers.run, UPLINKS[uplink], rates.down, down),
            (run, uplink, rates.up, up),
        ):
            words = ["tc", "qdisc", change, "dev", interface, "root", "tbf"]
            bucket = ["rate", f"{int(mbps * 1000)}kbit", "burst", str(BURST), "limit", str(queue)]
            program(*words, *bucket)

    def do(self, step: Step) -> None:
        if step in ("cut main", "cut backup"):
            self.servers.run("ip", "link", "set", self._named(step), "down")
        elif step in ("join main", "join backup"):
            self._join("wan1" if step == "join main" else "wan2")
            self._direct()
        else:
            self._leaks = step == "leak"
            self._uplink = "wan2" if step == "by backup" else "wan1"
            self._direct()

    @staticmethod
    def _named(step: Step) -> str:
        return UPLINKS["wan1" if step.endswith("main") else "wan2"]

    def _join(self, uplink: str) -> None:
        """The far end is there, and knows who is at the site."""
        far = UPLINKS[uplink]
        self.servers.run("ip", "link", "set", far, "up")
        for name, mac in MACS.items():
            self.servers.run("ip", "neigh", "replace", ADDRESSES[name], "lladdr", mac, "dev", far)

    def _direct(self) -> None:
        """Both ends send by the uplink in use; the gate's checks always by the backup."""
        by = dict.fromkeys(HOSTS, self._uplink) | {"gate": "wan2"}
        if self._leaks:
            by["office"] = "wan2"
        rules = []
        for name, uplink in by.items():
            address = ADDRESSES[name]
            rules.append(f"priority=10,in_port={PORTS[name]},ip,actions=output:{PORTS[uplink]}")
            rules += [
                f"priority=10,in_port={PORTS[wan]},ip,nw_dst={address},actions=output:{PORTS[name]}"
                for wan in UPLINKS
            ]
            if self._is_up(uplink):
                self.servers.run("ip", "route", "replace", f"{address}/32", "dev", UPLINKS[uplink])
        self._switch.rules("br0", "\n".join(rules) + "\n")

    def _is_up(self, uplink: str) -> bool:
        link = json.loads(self.servers.run("ip", "-json", "link", "show", UPLINKS[uplink]))[0]
        return "UP" in link["flags"]

    def counters(self) -> dict[str, tuple[int, int, int, int]]:
        """Of each port, what the kernel counts: IP octets and packets in, IP octets and packets out."""
        links = {link["ifname"]: link["stats64"] for link in json.loads(run("ip", "-json", "-stats", "link"))}
        return {port: (*_ip(links[port]["rx"]), *_ip(links[port]["tx"])) for port in PORTS}

    def queues(self) -> dict[str, tuple[int, int]]:
        """Packets dropped so far and octets waiting, of each uplink: "wan1 down" and so on."""
        found = {}
        for program, way in ((run, "up"), (self.servers.run, "down")):
            queues = json.loads(program("tc", "-s", "-json", "qdisc"))
            for uplink, far in UPLINKS.items():
                interface = uplink if way == "up" else far
                queue: dict[str, Any] = next(
                    (q for q in queues if q["dev"] == interface and q["kind"] == "tbf"), {}
                )
                found[f"{uplink} {way}"] = (int(queue.get("drops", 0)), int(queue.get("backlog", 0)))
        return found


def _ip(count: dict[str, int]) -> tuple[int, int]:
    """An Ethernet header of 14 octets is no part of an IP packet."""
    return count["bytes"] - 14 * count["packets"], count["packets"]
