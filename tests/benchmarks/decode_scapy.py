"""scapy as a decoder of the same messages: a general packet library, one object a field."""

from __future__ import annotations

import logging
from pathlib import Path

# More messages would only take longer: its rate does not depend on the number.
MESSAGES = 60


def first_messages(path: Path) -> list[bytes]:
    """The announcement and the first data messages of an IPFIX file."""
    octets = path.read_bytes()[: MESSAGES * 2000]
    found = []
    while len(found) <= MESSAGES:
        length = int.from_bytes(octets[2:4], "big")
        found.append(octets[:length])
        octets = octets[length:]
    return found


def decode(messages: list[bytes]) -> int:
    """Gives the number of records."""
    logging.getLogger("scapy").setLevel(logging.ERROR)
    from scapy.layers.inet import IP, UDP
    from scapy.layers.netflow import NetflowDataflowsetV9, NetflowHeader, netflowv9_defragment

    packets = [
        IP(src="192.0.2.1") / UDP(sport=4739, dport=4739) / NetflowHeader(octets) for octets in messages
    ]
    records = 0
    for packet in netflowv9_defragment(packets):
        layer = packet.getlayer(NetflowDataflowsetV9)
        while layer is not None:
            records += len(layer.records)
            layer = layer.payload.getlayer(NetflowDataflowsetV9)
    return records
