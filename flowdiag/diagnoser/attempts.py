"""Attempts of inside hosts that got no answer: shared by unanswered-connections and outbound-scan.

Facts: a TCP connection that was ever accepted shows an ACK in the opening side's flags (RFC 9293 3.5), so
a record with SYN and without ACK is an attempt in vain or one that is refused; a refusal is an answer and
shows as a record the other way. A name query is one packet out and one back. What has no flags is judged
by the records both ways.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import DOWN, UP, SiteFlows, where
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.conversations import ACK, ICMP, ICMPV6, SYN, TCP, UDP, answered, sees_downloads
from flowdiag.diagnoser.failovers import failovers
from flowdiag.diagnoser.link_states import link_states
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.outage import outages

DNS_PORT: Final = 53
# Type * 256 + code, as ICMP stands in the destination port (RFC 792: type 8; RFC 4443: type 128).
ECHO_REQUEST: Final = 8 << 8
ECHO_REQUEST_V6: Final = 128 << 8
# A SYN with options is 60 octets at most over IPv4, 80 over IPv6; six retries are the usual limit (common
# practice).
SYN_OCTETS: Final = 80
SYN_PACKETS: Final = 7
# A switch of links loses a few attempts on both sides of it.
AROUND_SWITCH_MS: Final = 60_000


def bare_syn(flows: SiteFlows) -> NDArray[np.bool_]:
    """TCP records that look like SYNs only: by their flags, or by number and size of packets."""
    tcp = flows.protocol == TCP
    by_flags = (flows.tcp_flags >= 0) & ((flows.tcp_flags & SYN) > 0) & ((flows.tcp_flags & ACK) == 0)
    small = (flows.packets <= SYN_PACKETS * flows.sampling) & (flows.octets <= SYN_OCTETS * flows.packets)
    bare: NDArray[np.bool_] = tcp & (by_flags | ((flows.tcp_flags < 0) & small))
    return bare


@once_per_case
def connection_attempts(case: Case) -> NDArray[np.intp]:
    """Rows by which inside hosts opened or tried to open something over a link: the whole that failures are
    part of.

    Outages, and the minute around a failover, are left out: what fails there is the link.
    """
    flows = case.flows
    tried = link_states(case).ordinary & (flows.direction == UP) & (flows.opened_inside != 0)
    tried &= (flows.protocol == TCP) | ((flows.protocol == UDP) & (flows.outside_port == DNS_PORT))
    for outage in outages(case):
        tried &= (flows.start_ms < outage.start_ms - AROUND_SWITCH_MS) | (
            flows.start_ms > outage.end_ms + AROUND_SWITCH_MS
        )
    for episode in failovers(case).episodes:
        begin = episode.start_ms - (episode.gap_ms or 0) - AROUND_SWITCH_MS
        tried &= (flows.start_ms < begin) | (flows.start_ms > episode.start_ms + AROUND_SWITCH_MS)
    return np.flatnonzero(tried)


@once_per_case
def failed_attempts(case: Case) -> NDArray[np.intp]:
    """The rows of `connection_attempts` that nobody answered; none where the export cannot show answers."""
    flows = case.flows
    if not sees_downloads(flows) or case.coverage.sampling > 1:
        return np.zeros(0, dtype=np.intp)
    tried = connection_attempts(case)
    in_vain = where(flows, bare_syn)[tried]
    in_vain |= (flows.protocol[tried] == UDP) & _poorly_answered(flows, tried)[flows.outside[tried]]
    rows = tried[in_vain]
    return rows[~answered(flows, rows)]


def _poorly_answered(flows: SiteFlows, tried: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Per address, whether a fifth of its name queries lack an answer at first glance: only there it pays to
    look.
    """
    queries = tried[flows.protocol[tried] == UDP]
    size = len(flows.addresses)
    asked = np.bincount(flows.outside[queries], minlength=size)
    replies = (flows.direction == DOWN) & (flows.protocol == UDP) & (flows.outside_port == DNS_PORT)
    told = np.bincount(flows.outside[replies], minlength=size)
    poorly: NDArray[np.bool_] = told < 0.8 * asked
    return poorly


def probing(flows: SiteFlows, ordinary: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Rows of at most three packets by which an inside host touches an outside address: SYNs, UDP, pings."""

    def probes(some: SiteFlows) -> NDArray[np.bool_]:
        ping = (some.protocol == ICMP) & (some.outside_port == ECHO_REQUEST)
        ping |= (some.protocol == ICMPV6) & (some.outside_port == ECHO_REQUEST_V6)
        opening = (some.opened_inside != 0) & ((some.protocol == UDP) | bare_syn(some))
        few = (some.direction == UP) & (some.packets <= 3 * some.sampling)
        touching: NDArray[np.bool_] = few & (ping | opening)
        return touching

    return np.flatnonzero(ordinary & where(flows, probes))
