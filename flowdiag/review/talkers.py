"""Who filled a link: of each five minutes, link and direction the inside host with most octets.

That is enough to tell a runaway job from a crowd: a host that makes a peak is the largest in the peak's slots. What a
host carried in slots that another one led is not kept, so that its share is a lower bound.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.spread import WindowGrid, spread
from flowdiag.flows import ADDRESS
from flowdiag.review.partial import SLOT_MS, TALKER_SCHEMA

# Hosts of a day that may lead a slot, for each link and direction. A host that is not among the day's largest 32 makes
# no peak of the month.
MOST_HOSTS: Final = 32


def slot_talkers(flows: SiteFlows, rows: NDArray[np.intp], grid: WindowGrid) -> pa.Table:
    """The leading hosts of some rows on links, of TALKER_SCHEMA. grid: of slots; hosts without a whole octet lead none."""
    if not len(rows):
        return TALKER_SCHEMA.empty_table()
    series = flows.link[rows].astype(np.int64) * 2 + flows.direction[rows]
    found = [
        _leaders(flows, rows[series == number], int(number), grid) for number in np.unique(series).tolist()
    ]
    return pa.concat_tables(found).combine_chunks()


def _leaders(flows: SiteFlows, rows: NDArray[np.intp], series: int, grid: WindowGrid) -> pa.Table:
    octets = np.bincount(flows.inside[rows], flows.wire_octets[rows], len(flows.addresses))
    numbers = np.flatnonzero(octets)
    by_address = sorted(numbers.tolist(), key=lambda number: flows.addresses[number])
    largest = sorted(by_address, key=lambda number: -octets[number])[:MOST_HOSTS]
    hosts = sorted(largest, key=lambda number: flows.addresses[number])
    position = np.full(len(flows.addresses), -1, np.int64)
    position[hosts] = np.arange(len(hosts))
    carried = spread(
        flows.start_ms[rows], flows.end_ms[rows], [flows.wire_octets[rows]], grid,
        position[flows.inside[rows]], max(len(hosts), 1),
    )[0]  # fmt: skip
    whole = np.rint(carried).astype(np.uint64)
    leader = whole.argmax(axis=0)
    most = whole.max(axis=0)
    slots = np.flatnonzero(most)
    return pa.table(
        [
            pa.array(np.full(len(slots), series, np.uint8)),
            pa.array(grid.start_ms // SLOT_MS + slots),
            pa.array([flows.addresses[hosts[at]] for at in leader[slots].tolist()], ADDRESS),
            pa.array(most[slots]),
        ],
        schema=TALKER_SCHEMA,
    )
