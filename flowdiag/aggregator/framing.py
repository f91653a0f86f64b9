"""What a link's plan rate counts for each packet beside its IP octets.

Facts (IEEE 802.3, RFC 2516):
- an Ethernet frame adds 14 octets of header and 4 of frame check sequence: 18;
- the line adds 8 of preamble and start delimiter and 12 of gap: 38 in all;
- PPPoE adds 6 of its own header and 2 of PPP protocol: 46 on the line;
- the payload of a frame is at least 46 octets, so that a 40-octet acknowledgement is padded; behind the 8 octets
  of PPPoE an IP packet of 38 fills it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.site.profile import Framing


class PerPacket(Struct, frozen=True):
    """Octets: least that a packet's IP octets count as, and what comes on top of each packet."""

    least: int
    added: int


PER_PACKET: Final[dict[Framing, PerPacket]] = {
    "ip": PerPacket(0, 0),
    "ethernet": PerPacket(46, 18),
    "wire": PerPacket(46, 38),
    "pppoe": PerPacket(38, 46),
}


def wire_octets(
    octets: NDArray[np.float64], packets: NDArray[np.float64], framing: Framing
) -> NDArray[np.float64]:
    """Octets with the framing of the plan, for flows of `octets` IP octets in `packets` packets. Shape [n].

    Padding is by the flow's mean packet size: a flow that mixes short and long packets may lack some padding.
    """
    rule = PER_PACKET[framing]
    if rule == PER_PACKET["ip"]:
        return octets
    framed: NDArray[np.float64] = np.maximum(octets, rule.least * packets) + rule.added * packets
    return framed
