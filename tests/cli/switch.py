"""The export of a real virtual switch (fixtures/virtual-switch.ipfix): its site, and what its WAN port counted itself."""

from __future__ import annotations

from pathlib import Path
from typing import Final, NamedTuple

IPFIX: Final = Path(__file__).parents[2] / "fixtures" / "virtual-switch.ipfix"
PROFILE: Final = """
[site]
name = "Switch"
lan = ["192.168.1.0/24", "2001:db8:1::/48"]

[[link]]
name = "wan"
interfaces = [5]
down_mbps = 20
up_mbps = 5
framing = "ip"
"""


class Counters(NamedTuple):
    """Interface counters: Ethernet frames without check sequence, and ARP among them (42 octets each)."""

    octets: int
    packets: int
    arp_packets: int
    arp_octets: int


# Read from the port when the export was made: received (down), sent (up).
WAN_COUNTERS: Final = (
    Counters(151_378_788, 103_614, 16, 16 * 42),
    Counters(3_734_435, 47_313, 16, 16 * 42),
)


def write_profile(folder: Path) -> Path:
    profile = folder / "switch.toml"
    profile.write_text(PROFILE, encoding="utf-8")
    return profile
