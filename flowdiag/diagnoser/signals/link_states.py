"""What each link did in each minute: carrying ordinary traffic, keepalives only, silent, or not known.

Shared by the link findings and by the band that the note draws (link_bands.py); this module alleges nothing itself.

Ordinary traffic is what is left of a link's records when these are taken away:
- the keepalives of the profile, both directions;
- on a backup, what looks like a keepalive that the profile does not list (`candidates`): one inside
  address, one outside address, small packets, a low rate, steady through the export;
- the router's own small chatter (it carries interface 0 on the inside of the record: name look-ups, time,
  checks);
- unsolicited small packets from outside, which reach any public address.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import DOWN, UP, SiteFlows, where
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.conversations import distinct
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

# Keepalive-like chatter: at most this rate, in packets of at most this mean size (a ping is 84 octets, a
# small encrypted heartbeat 100 to 300). Common practice, no source.
CHATTER_BITS_S: Final = 2_000
CHATTER_PACKET_OCTETS: Final = 300
# Steady: seen through at least half of the export, never silent for more than a quarter of it.
STEADY_SPAN: Final = 0.5
STEADY_SILENCE: Final = 0.25
STEADY_RECORDS: Final = 5
# A health check watches one or two places; many places at once are somebody's traffic.
MOST_CANDIDATES: Final = 2
_MOST_TO_LOOK_AT: Final = 20

# An unsolicited packet: at most this many packets of at most this size a record (a SYN is 40 to 60 octets).
_STRAY_PACKETS: Final = 3
_STRAY_OCTETS: Final = 120


@dataclass(frozen=True)
class Candidate:
    """Chatter on a backup that looks like a keepalive which the profile does not list."""

    link: int
    address: bytes
    protocol: int
    port: int  # outside port, -1 where the protocol has none or it is unknown
    interval_s: float
    packet_octets: int


@dataclass(frozen=True, eq=False)
class LinkStates:
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
    ordinary &= ~_router_chatter(flows) & ~where(flows, _strays)
    candidates = []
    for link in backups(case.profile):
        for candidate, rows in _candidates(case, link, np.flatnonzero((flows.link == link) & ordinary)):
            candidates.append(candidate)
            ordinary[rows] = False
    grid = Grid(usage.start_ms, usage.window_ms, usage.windows)
    states = np.zeros((len(case.profile.link), usage.windows), dtype=np.int8)
    floor = CARRYING_OCTETS_A_MINUTE * usage.window_ms / MINUTE_MS
    for link in range(len(case.profile.link)):
        seen = usage.ip_octets[link].sum(axis=0)
        other = np.flatnonzero((flows.link == link) & ~ordinary)
        chatter = grid.spread(flows.start_ms[other], flows.end_ms[other], flows.octets[other])
        states[link] = np.where(seen > 0.5, KEEPALIVES, np.where(case.coverage.heard, SILENT, UNKNOWN))
        states[link][seen - chatter >= floor] = CARRYING
    return LinkStates(states, ordinary, tuple(candidates))


def _router_chatter(flows: SiteFlows) -> NDArray[np.bool_]:
    """Small records to and from the router itself: interface 0 where the forwarded ones name an interface."""
    chatter = np.zeros(len(flows), dtype=np.bool_)
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
            chatter[nameless[flows.octets[nameless] * 8.0 <= CHATTER_BITS_S * duration_s]] = True
    return chatter


def _strays(flows: SiteFlows) -> NDArray[np.bool_]:
    strays: NDArray[np.bool_] = flows.packets <= _STRAY_PACKETS * flows.sampling
    strays &= (flows.octets <= _STRAY_OCTETS * flows.packets) & (flows.opened_inside == 0)
    return strays


def _candidates(case: Case, link: int, rows: NDArray[np.intp]) -> list[tuple[Candidate, NDArray[np.intp]]]:
    """Keepalive-like conversations among a backup's rows; none where there are many."""
    flows = case.flows
    span = heard_ms(case)
    if len(rows) < STEADY_RECORDS or span == 0:
        return []
    rows = rows[flows.octets[rows] <= CHATTER_PACKET_OCTETS * flows.packets[rows]]
    rows = rows[_lonely(flows, rows, span)[flows.outside[rows]]]
    if distinct(flows.outside[rows], len(flows.addresses)) > _MOST_TO_LOOK_AT:
        return []
    who = (flows.outside[rows].astype(np.int64) << 8) | (flows.protocol[rows].astype(np.int64) & 0xFF)
    places, first, count = np.unique(who, return_index=True, return_counts=True)
    found = []
    for place in np.flatnonzero(count >= STEADY_RECORDS):
        mine = rows[who == places[place]]
        mine = mine[np.argsort(flows.start_ms[mine], kind="stable")]
        start, end = flows.start_ms[mine], np.maximum.accumulate(flows.end_ms[mine])
        silence = np.maximum(start[1:] - end[:-1], 0).max()
        if end[-1] - start[0] < STEADY_SPAN * span or silence > STEADY_SILENCE * span:
            continue
        packets = float(flows.packets[mine][flows.direction[mine] == UP].sum()) or float(
            flows.packets[mine].sum()
        )
        example = rows[first[place]]
        found.append(
            (
                Candidate(
                    link=link,
                    address=flows.addresses[int(flows.outside[example])],
                    protocol=int(flows.protocol[example]),
                    port=int(flows.outside_port[example]) if flows.protocol[example] in (6, 17) else -1,
                    interval_s=float(end[-1] - start[0]) / 1000.0 / max(packets - 1.0, 1.0),
                    packet_octets=round(
                        float(flows.octets[mine].sum() / max(flows.packets[mine].sum(), 1.0))
                    ),
                ),
                mine,
            )
        )
    return found if len(found) <= MOST_CANDIDATES else []


def _lonely(flows: SiteFlows, rows: NDArray[np.intp], span_ms: int) -> NDArray[np.bool_]:
    """Per address, whether it has several of these rows, all with one inside address and at a low rate."""
    size = len(flows.addresses)
    outside, inside = flows.outside[rows], flows.inside[rows]
    partner = np.full(size, -1, dtype=np.int32)
    partner[outside] = inside
    others = np.bincount(outside, partner[outside] != inside, size)
    octets = np.bincount(outside, flows.octets[rows], size)
    several = np.bincount(outside, minlength=size) >= STEADY_RECORDS
    lonely: NDArray[np.bool_] = several & (others == 0) & (octets * 8e3 <= CHATTER_BITS_S * span_ms)
    return lonely
