"""Flows whose times lie far from all others: left out, since one of them would stretch every window to years.

They come from a router that had no clock yet when it started (times near 1970), and from damage.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.twins import select

DAY_MS: Final = 86_400_000
# Common practice, no source: a pause of a week with hardly anything behind it is no part of the export.
PAUSE_DAYS: Final = 7
HARDLY_ANYTHING: Final = 0.01
# Windows of a minute that a usage may have: three numbers of 8 octets per link and direction each.
MAX_DAYS: Final = 1_000


def without_strays(flows: SiteFlows) -> tuple[SiteFlows, int]:
    """The flows without those days away from the rest, and how many were left out.

    Blocks of days that a pause of more than PAUSE_DAYS separates from the largest block are left out where they
    hold less than HARDLY_ANYTHING of its flows, and in any case beyond MAX_DAYS around it.
    """
    if not len(flows):
        return flows, 0
    first_day, last_day = int(flows.start_ms.min()) // DAY_MS, int(flows.end_ms.max()) // DAY_MS
    if last_day - first_day <= PAUSE_DAYS:
        return flows, 0
    day = flows.start_ms // DAY_MS
    days, counts = np.unique(day, return_counts=True)
    block = np.concatenate([[0], np.cumsum(np.diff(days) > PAUSE_DAYS)])
    sizes = np.bincount(block, counts)
    main = int(np.argmax(sizes))
    kept_days = days[sizes[block] >= HARDLY_ANYTHING * sizes[main]]
    main_days = days[block == main]
    low = max(int(main_days[0]), int(main_days[-1]) - MAX_DAYS)
    kept_days = kept_days[(kept_days >= low - MAX_DAYS) & (kept_days <= low + MAX_DAYS)]
    kept = np.isin(day, kept_days) & (flows.end_ms < (int(kept_days[-1]) + PAUSE_DAYS) * DAY_MS)
    if kept.all():
        return flows, 0
    return select(flows, np.flatnonzero(kept)), int(len(kept) - kept.sum())
