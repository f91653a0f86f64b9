"""A real exporter: what Open vSwitch (Debian's package openvswitch-switch) tells is what its interfaces counted."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

# Namespaces of its own: nothing is changed on this machine, and all processes end with the first one.
APART = ["unshare", "--net", "--pid", "--fork", "--kill-child", "--mount-proc"]
AS_USER = ["--user", "--map-root-user"]
PATIENCE_S = 120


@pytest.mark.parametrize("protocol", ["ipfix", "netflow"])
def test_totals_in_the_store_equal_the_counters_of_the_interfaces(tmp_path: Path, protocol: str) -> None:
    apart = APART if os.geteuid() == 0 else [*APART, *AS_USER]
    allowed = subprocess.run([*apart, "true"], capture_output=True, text=True)
    assert allowed.returncode == 0, f"this test needs namespaces; be root or allow them: {allowed.stderr}"
    lab = [*apart, sys.executable, "-m", "tests.collector.live.switch", protocol, str(tmp_path)]
    done = subprocess.run(lab, capture_output=True, text=True, timeout=PATIENCE_S)
    assert done.returncode == 0, done.stderr
    measured = json.loads(done.stdout)
    assert measured["told"] == measured["counted"]
    assert min(octets for _, octets in measured["counted"].values()) > 200_000
