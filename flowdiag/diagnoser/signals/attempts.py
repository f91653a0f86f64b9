"""Attempts of inside hosts that got no answer: shared by unanswered-connections and outbound-scan.

Facts: a TCP connection that was ever accepted shows an ACK in the opening side's flags (RFC 9293 3.5), so
a record with SYN and without ACK is an attempt in vain or one that is refused; a refusal is an answer and
shows as a record the other way. A request by datagrams is a packet or a few out and as many back. What has no flags
is judged by the records both ways.

An attempt is one, whatever its retransmissions: a SYN is sent again for minutes, with pauses that double, so that it
comes as one record of many packets or, as pauses outlast the idle timeout, as several records.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.services import REQUEST_PORTS
from flowdiag.aggregator.site_flows import DOWN, UP, SiteFlows, select
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.conversations import (
    ACK,
    ICMP,
    ICMPV6,
    SYN,
    TCP,
    UDP,
    answered,
    conversation_keys,
    occurring_again,
    sees_downloads,
)
from flowdiag.diagnoser.signals.failovers import failovers
from flowdiag.diagnoser.signals.link_states import link_states
from flowdiag.diagnoser.signals.outages import outages

QUIC_PORT: Final = 443
# Type * 256 + code, as ICMP stands in the destination port (RFC 792: type 8; RFC 4443: type 128).
ECHO_REQUEST: Final = 8 << 8
ECHO_REQUEST_V6: Final = 128 << 8
# A SYN with options is 60 octets at most over IPv4, 80 over IPv6. Six retries are the usual limit (common practice);
# some stacks try ten times.
SYN_OCTETS: Final = 80
SYN_PACKETS: Final = 12
# A datagram or ping that is sent again: four pings, ten messages of a call that is not answered within 32 s (RFC 3261
# 17.1.1.2), as many of a key exchange (common practice).
PROBE_PACKETS: Final = 12
# How long one attempt can last: a SYN is sent again for three minutes at least (RFC 1122 4.2.3.5), a request by
# datagrams for half a minute to a minute (RFC 3261 17.1.1.2: 32 s; common practice).
RETRIED_MS: Final = 180_000
ASKED_AGAIN_MS: Final = 60_000
# A switch of links loses a few attempts on both sides of it.
AROUND_SWITCH_MS: Final = 60_000
# Well-known ports (RFC 6335 6: 0 to 1023) and registered ones that clients use every day.
WELL_KNOWN: Final = 1024
EVERYDAY: Final = (
    1194, 1433, 1645, 1812, 1813, 3306, 3389, 3478, 4500, 5060, 5061, 5222, 5432, 8080, 8443, 51820,
)  # fmt: skip


def bare_syn(flows: SiteFlows) -> NDArray[np.bool_]:
    """TCP records that look like SYNs only: by their flags, or by number and size of packets."""
    tcp = flows.protocol == TCP
    by_flags = (flows.tcp_flags >= 0) & ((flows.tcp_flags & SYN) > 0) & ((flows.tcp_flags & ACK) == 0)
    small = (flows.packets <= SYN_PACKETS * flows.sampling) & (flows.octets <= SYN_OCTETS * flows.packets)
    bare: NDArray[np.bool_] = tcp & (by_flags | ((flows.tcp_flags < 0) & small))
    return bare


_ASKED_FOR_ANSWERS: Final = np.isin(np.arange(65_537), REQUEST_PORTS)  # the last entry is port -1, unknown


def is_request(flows: SiteFlows) -> NDArray[np.bool_]:
    """UDP records to or from a service whose every request wants an answer."""
    request: NDArray[np.bool_] = (flows.protocol == UDP) & _ASKED_FOR_ANSWERS.take(flows.outside_port)
    return request


def begins_attempt(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which rows begin an attempt; the others carry one on that began before them. Shape [len(rows)].

    Rows of one conversation are one attempt as long as it is sent again, RETRIED_MS or ASKED_AGAIN_MS from its
    beginning.
    """
    begins = np.ones(len(rows), dtype=np.bool_)
    keys = conversation_keys(flows, rows)
    # Ports are rarely used twice, so that there is little to set in order of time.
    again = np.flatnonzero(occurring_again(keys))
    if not len(again):
        return begins
    again = again[np.lexsort((flows.start_ms[rows[again]], keys[again]))]
    key, at = keys[again], flows.start_ms[rows[again]]
    lasts = np.where(flows.protocol[rows[again]] == TCP, RETRIED_MS, ASKED_AGAIN_MS)
    new = np.ones(len(again), dtype=np.bool_)
    new[1:] = (key[1:] != key[:-1]) | (np.diff(at) > lasts[1:])
    turn = (at - at[new][np.cumsum(new) - 1]) // lasts
    new[1:] |= turn[1:] != turn[:-1]
    begins[again] = new
    return begins


@once_per_case
def connection_attempts(case: Case) -> NDArray[np.intp]:
    """Rows by which inside hosts opened or tried to open something over a link: the whole that failures are
    part of.

    Outages, and the minute around a failover, are left out: what fails there is the link.
    """
    flows = case.flows

    def opening(chunk: SiteFlows) -> NDArray[np.bool_]:
        opens: NDArray[np.bool_] = (chunk.direction == UP) & (chunk.opened_inside != 0)
        opens &= (chunk.protocol == TCP) | is_request(chunk)
        return opens

    tried = link_states(case).ordinary & select(flows, opening)
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
    """The rows of `connection_attempts` that begin an attempt which nobody answered; none where the export cannot
    show answers.

    QUIC in vain is no failure where the same address answers over TCP: clients take that at once (common
    practice).
    """
    flows = case.flows
    if not sees_downloads(flows) or case.coverage.sampling > 1:
        return np.zeros(0, dtype=np.intp)
    tried = connection_attempts(case)
    in_vain = select(flows, bare_syn)[tried]
    queries = np.flatnonzero(flows.protocol[tried] == UDP)
    in_vain[queries] |= _poorly_answered(flows, flows.outside[tried[queries]])
    rows = tried[np.flatnonzero(in_vain)]
    rows = rows[~answered(flows, rows)]
    rows = rows[begins_attempt(flows, rows)]
    quic = (flows.protocol[rows] == UDP) & (flows.outside_port[rows] == QUIC_PORT)
    if quic.any():
        rows = rows[~(quic & _answers_by_tcp(flows)[flows.outside[rows]])]
    return rows


def _answers_by_tcp(flows: SiteFlows) -> NDArray[np.bool_]:
    """Per address, whether it answered any connection to its port 443."""

    def answering(chunk: SiteFlows) -> NDArray[np.bool_]:
        answer: NDArray[np.bool_] = (chunk.direction == DOWN) & (chunk.protocol == TCP)
        answer &= (chunk.outside_port == QUIC_PORT) & ((chunk.tcp_flags < 0) | ((chunk.tcp_flags & ACK) != 0))
        return answer

    answers = np.zeros(len(flows.addresses), dtype=np.bool_)
    answers[flows.outside[select(flows, answering)]] = True
    return answers


def _poorly_answered(flows: SiteFlows, asked: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Which requests went to an address that leaves a fifth of its requests without an answer at first glance: only
    there it pays to look. asked: the address of each request.
    """
    size = len(flows.addresses)
    replies = select(flows, lambda chunk: (chunk.direction == DOWN) & is_request(chunk))
    replied = np.bincount(flows.outside[replies], minlength=size)
    poorly: NDArray[np.bool_] = (replied < 0.8 * np.bincount(asked, minlength=size))[asked]
    return poorly


def probing(flows: SiteFlows, ordinary: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Rows by which an inside host no more than touches an outside address: SYNs, a few datagrams, pings, sent again
    or not.
    """

    def probes(chunk: SiteFlows) -> NDArray[np.bool_]:
        ping = (chunk.protocol == ICMP) & (chunk.outside_port == ECHO_REQUEST)
        ping |= (chunk.protocol == ICMPV6) & (chunk.outside_port == ECHO_REQUEST_V6)
        few = chunk.packets <= PROBE_PACKETS * chunk.sampling
        touching: NDArray[np.bool_] = ((chunk.protocol == UDP) & few) | bare_syn(chunk)
        touching &= chunk.opened_inside != 0
        touching |= ping & few
        touching &= chunk.direction == UP
        return touching

    return np.flatnonzero(ordinary & select(flows, probes))


def is_everyday(port: int) -> bool:
    """Whether clients use services on this port every day."""
    return 0 <= port < WELL_KNOWN or port in EVERYDAY
