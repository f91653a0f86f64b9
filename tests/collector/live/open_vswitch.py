"""An Open vSwitch of a test's own, and network namespaces to join to it; programs that call this are in one themselves
(apart.py)."""

from __future__ import annotations

import os
import subprocess
from contextlib import ExitStack
from pathlib import Path
from typing import Final

from tests.collector.live.running import wait_until

# Programs that a test with such a switch starts.
NEEDED: Final = ("ovs-vswitchd", "ip", "ethtool", "sysctl")
SCHEMA: Final = "/usr/share/openvswitch/vswitch.ovsschema"


def run(*words: str) -> str:
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


class Namespace:
    """A network namespace below this one, which lasts as long as its first process."""

    def __init__(self) -> None:
        own = os.readlink("/proc/self/ns/net")
        self.holder = subprocess.Popen(["unshare", "--net", "sleep", "infinity"])
        there = f"/proc/{self.holder.pid}/ns/net"
        wait_until(lambda: os.readlink(there) != own)

    def join(self, interface: str, port: str, index: int | None = None) -> None:
        """A pair of interfaces: one here, which is up and has an ifIndex where one is given, the other there."""
        number = [] if index is None else ["index", str(index)]
        peer = ["name", interface, "netns", str(self.holder.pid)]
        run("ip", "link", "add", port, *number, "type", "veth", "peer", *peer)
        run("ip", "link", "set", port, "up")

    def run(self, *words: str) -> str:
        return run(*self._here(*words))

    def start(self, *words: str) -> subprocess.Popen[str]:
        return subprocess.Popen(self._here(*words), stdout=subprocess.PIPE, text=True)

    def _here(self, *words: str) -> list[str]:
        return ["nsenter", "--target", str(self.holder.pid), "--net", *words]


class Switch:
    """An Open vSwitch of its own: nothing of it is outside its folder. The userspace datapath needs no kernel module."""

    def __init__(self, folder: Path, started: ExitStack) -> None:
        folder.mkdir()
        database, remote = folder / "conf.db", folder / "db"
        places = dict.fromkeys(("OVS_RUNDIR", "OVS_LOGDIR", "OVS_DBDIR", "OVS_SYSCONFDIR"), str(folder))
        self._environment = os.environ | places
        run("ovsdb-tool", "create", str(database), SCHEMA)
        self._set = ["ovs-vsctl", f"--db=unix:{remote}", "--timeout=20"]
        for words in (
            ["ovsdb-server", str(database), f"--remote=punix:{remote}", f"--unixctl={folder / 'server'}"],
            ["ovs-vswitchd", f"unix:{remote}", f"--unixctl={folder / 'switch'}"],
        ):
            with (folder / f"{words[0]}.log").open("wb") as log:
                process = subprocess.Popen(words, env=self._environment, stderr=log)
            started.callback(process.wait)
            started.callback(process.terminate)
            wait_until(remote.exists, lambda: (folder / "ovsdb-server.log").read_text())
        self.set("--no-wait", "init")

    def set(self, *words: str) -> None:
        run(*self._set, *words)

    def bridge(self, name: str, ports: dict[str, int]) -> None:
        """A switch of ports by name, with the numbers that it calls them by."""
        self.set("add-br", name, "--", "set", "bridge", name, "datapath_type=netdev")
        for port, number in ports.items():
            self.set("add-port", name, port, "--", "set", "interface", port, f"ofport_request={number}")

    def export(self, bridge: str, protocol: str, table: str, collector: int) -> None:
        """Tells a bridge to export to a port of loopback. protocol: ipfix or netflow; table: its settings."""
        created = ["--", "--id=@export", "create", *table.split(), f'targets="127.0.0.1:{collector}"']
        self.set("set", "bridge", bridge, f"{protocol}=@export", *created)

    def rules(self, bridge: str, rules: str) -> None:
        """All that the bridge does from now on, a rule a line."""
        words = ["ovs-ofctl", "replace-flows", bridge, "-"]
        subprocess.run(words, input=rules, check=True, capture_output=True, text=True, env=self._environment)
