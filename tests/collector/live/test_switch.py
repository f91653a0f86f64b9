"""A real exporter: what Open vSwitch (Debian's package openvswitch-switch) tells is what its interfaces counted."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.collector.live.apart import needs, told_apart
from tests.collector.live.open_vswitch import NEEDED


@pytest.mark.parametrize("protocol", ["ipfix", "netflow"])
def test_totals_in_the_store_equal_the_counters_of_the_interfaces(tmp_path: Path, protocol: str) -> None:
    needs(*NEEDED)
    measured = told_apart("collector.live.switch", protocol, tmp_path)
    assert measured["told"] == measured["counted"]
    assert min(octets for _, octets in measured["counted"].values()) > 200_000
