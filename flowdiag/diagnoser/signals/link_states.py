"""What each link did in each minute: carrying ordinary traffic, keepalives only, silent, or not known.

Shared by the link findings and by the band that the note draws (link_bands.py); this module alleges nothing itself.

Ordinary traffic is what is left of a link's records when these are taken away:
- the keepalives of the profile, both directions;
- on a backup, chatter to one or two destinations that goes on through the export (chatter.py); what of it has the size and the
  pace of a keepalive that the profile does not list is named (`candidates`);
- the router's own small chatter (it carries interface 0 on the inside of the record: name look-ups, time,
  checks);
- unsolicited small packets from outside, which reach any public address.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import DOWN, UP, SiteFlows, select
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.chatter import CHATTER_BITS_S, Candidate, chatter, keepalive_candidate
from flowdiag.diagnoser.signals.keepalives import keepalive_rows
from flowdiag.diagnoser.signals.timeline import Grid
from flowdiag.durations import MINUTE_MS
from flowdiag.site.profile import Profile

SILENT: Final = 0
KEEPALIVES: Final = 1
CARRYING: Final = 2
UNKNOWN: Final = 3
STATE_NAMES: Final = ("silent", "keepalives only", "carrying", "unknown")

# A healthy idle backup shows tens to hundreds of bit/s (common practice); a minute at 400 bit/s is 3,000
# octets, and a single web page is a hundred times that.
CARRYING_OCTETS_A_MINUTE: Final = 3_000

# An unsolicited packet: at most this many packets of at most this size a record (a SYN is 40 to 60 octets).
_UNSOLICITED_PACKETS: Final = 3
_UNSOLICITED_OCTETS: Final = 120


class LinkStates(Struct, frozen=True, eq=False):
    """states: int8 [link, window] on the usage grid. ordinary: bool per row of the flows."""

    states: NDArray[np.int8]
    ordinary: NDArray[np.bool_]
    candidates: tuple[Candidate, ...]


def backups(profile: Profile) -> list[int]:
    return [i for i, link in enumerate(profile.link) if link.role == "backup"]


def primaries(profile: Profile) -> list[int]:
    return [i for i, link in enumerate(profile.link) if link.role == "primary"]


def heard_ms(case: Case) -> int:
    """How long the exporter was heard, in ms: whole windows of the usage grid."""
    return int(np.count_nonzero(case.coverage.heard)) * case.usage.window_ms


@once_per_case
def link_states(case: Case) -> LinkStates:
    """States of all links over the whole export."""
    flows, usage = case.flows, case.usage
    ordinary = flows.link >= 0
    ordinary[keepalive_rows(case)] = False
    ordinary &= ~_router_chatter(flows) & ~select(flows, _unsolicited)
    candidates = []
    for link in backups(case.profile):
        for rows in chatter(flows, np.flatnonzero((flows.link == link) & ordinary), heard_ms(case)):
            ordinary[rows] = False
            if candidate := keepalive_candidate(flows, link, rows, case.coverage.sampling):
                candidates.append(candidate)
    grid = Grid(usage.start_ms, usage.window_ms, usage.windows)
    states = np.zeros((len(case.profile.link), usage.windows), dtype=np.int8)
    floor = CARRYING_OCTETS_A_MINUTE * usage.window_ms / MINUTE_MS
    for link in range(len(case.profile.link)):
        seen = usage.ip_octets[link].sum(axis=0)
        other = np.flatnonzero((flows.link == link) & ~ordinary)
        aside = grid.spread(flows.start_ms[other], flows.end_ms[other], flows.octets[other])
        states[link] = np.where(seen > 0.5, KEEPALIVES, np.where(case.coverage.heard, SILENT, UNKNOWN))
        states[link][seen - aside >= floor] = CARRYING
    return LinkStates(states, ordinary, tuple(candidates))


def _router_chatter(flows: SiteFlows) -> NDArray[np.bool_]:
    """Small records to and from the router itself: interface 0 where the forwarded ones name an interface."""
    small = np.zeros(len(flows), dtype=np.bool_)
    for direction, other_end in ((UP, flows.ingress), (DOWN, flows.egress)):
        there = flows.direction == direction
        nameless = np.flatnonzero(there & (other_end == 0))
        if not len(nameless):
            continue
        octets = float(flows.octets[there].sum())
        named = float(flows.octets[there & (other_end > 0)].sum())
        # An exporter that leaves the other interface empty throughout says nothing by a 0.
        if octets and named >= 0.5 * octets:
            duration_s = np.maximum((flows.end_ms[nameless] - flows.start_ms[nameless]) / 1000.0, 60.0)
            small[nameless[flows.octets[nameless] * 8.0 <= CHATTER_BITS_S * duration_s]] = True
    return small


def _unsolicited(flows: SiteFlows) -> NDArray[np.bool_]:
    strays: NDArray[np.bool_] = flows.packets <= _UNSOLICITED_PACKETS * flows.sampling
    strays &= (flows.octets <= _UNSOLICITED_OCTETS * flows.packets) & (flows.opened_inside == 0)
    return strays
