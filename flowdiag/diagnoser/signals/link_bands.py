"""What the note's band under a chart says that each link did in each minute; this module alleges nothing itself.

The states are those of link_states.py, with one difference. What trickles over a backup at the rate of chatter is not
ordinary use: an idle connection that stayed there after a failover, a heartbeat that the profile does not list. So a
backup carries ordinary traffic where more than chatter ran over it, and where less did, only in a failover or where a
leak is alleged, so that the band says what the findings say.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.chatter import CHATTER_BITS_S
from flowdiag.diagnoser.signals.failovers import failovers
from flowdiag.diagnoser.signals.leaks import leaking
from flowdiag.diagnoser.signals.link_states import CARRYING, KEEPALIVES, backups, link_states
from flowdiag.diagnoser.signals.timeline import Grid


@once_per_case
def link_bands(case: Case) -> NDArray[np.int8]:
    """States (link_states.STATE_NAMES) of all links on the usage grid; shape [link, window]."""
    states = link_states(case).states.copy()
    for link in backups(case.profile):
        states[link][(states[link] == CARRYING) & ~_in_use(case, link)] = KEEPALIVES
    return states


def _in_use(case: Case, link: int) -> NDArray[np.bool_]:
    """Windows in which a backup had more than chatter, and those of failovers and of what is alleged to leak onto it."""
    flows, usage = case.flows, case.usage
    grid = Grid(usage.start_ms, usage.window_ms, usage.windows)
    rows = np.flatnonzero(link_states(case).ordinary & (flows.link == link))
    octets = grid.spread(flows.start_ms[rows], flows.end_ms[rows], flows.octets[rows])
    leak, stays = leaking(case, link), failovers(case).episodes
    of_stays = np.array([(stay.start_ms, stay.end_ms - 1) for stay in stays], np.int64).reshape(-1, 2)
    begun = np.concatenate([flows.start_ms[leak], of_stays[:, 0]])
    ended = np.concatenate([flows.end_ms[leak], of_stays[:, 1]])
    used: NDArray[np.bool_] = octets > CHATTER_BITS_S * usage.window_ms / 8000
    return used | (grid.covering(begun, ended) > 0)
