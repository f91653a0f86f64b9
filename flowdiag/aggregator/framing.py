"""Wire octets from IP octets: what the plan's rate counts per packet (IEEE 802.3; RFC 2516; profile `framing`)."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

OVERHEAD: Final = {"ip": 0, "ethernet": 18, "wire": 38, "pppoe": 46}
LEAST: Final = {"ip": 0, "ethernet": 46, "wire": 46, "pppoe": 38}  # shorter IP packets are padded


def wire_octets(
    octets: NDArray[np.float64], packets: NDArray[np.float64], framing: str
) -> NDArray[np.float64]:
    """octets, packets: per flow; a packet counts with the flow's mean size."""
    out: NDArray[np.float64] = np.maximum(octets, LEAST[framing] * packets) + OVERHEAD[framing] * packets
    return out
