"""What the records can show at best: their octets spread evenly over their own time, minute by minute.

Long active timeouts hide what happened within a record. A label that the truth asks for but the records cannot show
would be unfair to any reader of them; such a situation is metered with the usual minute instead.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from flowdiag.durations import MINUTE_MS
from flowdiag.scenario.carry import wire_octets
from flowdiag.scenario.network import OCTETS_PER_MBPS_MS
from flowdiag.scenario.truth import Truth
from flowdiag.scenario.write import Situation

CLOSE = 0.08  # share of the plan by which a minute may differ and still be called the same
MOST_DIFFERENT_MINUTES = 0.03  # of all minutes


def shown_mbps(situation: Situation, truth: Truth, link: int, direction: int) -> NDArray[np.float64]:
    """Wire rate per minute as the records tell it, on the minutes of the truth, shape [minutes]."""
    records = situation.records
    interfaces = situation.site.links[link].interfaces
    side = "egress" if direction else "ingress"
    rows = records[np.isin(records[side], interfaces) & (records["direction"] == 0)]
    octets, packets = rows["octets"].astype(float), rows["packets"].astype(float)
    wire = wire_octets(octets, packets, situation.site, link) * situation.meter.sampling
    start = (rows["start"] - truth.start_ms) / MINUTE_MS
    length = np.maximum(rows["end"] - rows["start"], 1) / MINUTE_MS
    minutes = np.zeros(truth.minutes)
    first = np.clip(np.floor(start), 0, truth.minutes - 1).astype(int)
    last = np.clip(np.floor(start + length), 0, truth.minutes - 1).astype(int)
    for offset in range(int((last - first).max(initial=-1)) + 1):
        mine = first + offset <= last
        minute = first[mine] + offset
        inside = np.minimum(start[mine] + length[mine], minute + 1) - np.maximum(start[mine], minute)
        part = np.clip(inside / length[mine], 0, 1)
        minutes += np.bincount(minute, wire[mine] * part, truth.minutes)
    rate: NDArray[np.float64] = minutes / (OCTETS_PER_MBPS_MS * MINUTE_MS)
    return rate


def faithful(situation: Situation, truth: Truth) -> bool:
    """Whether the records show each link's minutes nearly as they were."""
    for number, link in enumerate(situation.site.links):
        for direction in (0, 1):
            error = np.abs(shown_mbps(situation, truth, number, direction) - truth.mbps(number, direction))
            if (error > CLOSE * link.capacity_mbps(direction)).mean() > MOST_DIFFERENT_MINUTES:
                return False
    return True
