"""Hosts that try very many outside addresses in vain: findings/outbound_scan.py says what is decided and why."""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.chunks import ordered_by
from flowdiag.aggregator.site_flows import UP, SiteFlows
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.attempts import begins_attempt, probing
from flowdiag.diagnoser.signals.conversations import ICMP, ICMPV6, TCP, answered, sees_downloads, service_keys
from flowdiag.diagnoser.signals.link_states import link_states
from flowdiag.diagnoser.signals.outages import outages

SLOT_MS: Final = 600_000
# What a patient scan reaches in an hour, as a multiple of what a hasty one reaches in ten minutes.
LONG_SLOT_MS: Final = 3_600_000
LONG_SLOT_TIMES: Final = 2.5
PORTS: Final = 16
PORTS_SHARE: Final = 0.5
UNANSWERED: Final = 0.5
TRIES_EACH: Final = 3.0


class Scan(Struct, frozen=True, eq=False):
    """What one inside host tried in vain on the scanned ports."""

    inside: int  # number of the host's address
    rows: NDArray[np.intp]
    attempts: int
    addresses: int  # distinct outside addresses tried
    ports: tuple[tuple[int, int], ...]  # (protocol, port), port 0 for pings
    most_in_ten_minutes: int  # addresses
    unanswered: float  # part of the addresses tried on these ports that never answered


@once_per_case
def scans(case: Case) -> tuple[Scan, ...]:
    """Every scanning host, the one that tried most addresses first."""
    usage = case.usage
    everything = (usage.start_ms, usage.start_ms + usage.windows * usage.window_ms)
    return scans_from(case, case.profile.thresholds.scan_addresses, everything)


@once_per_case
def _probes(case: Case) -> NDArray[np.intp]:
    """Rows that only touch, outages left out."""
    flows = case.flows
    rows = probing(flows, link_states(case).ordinary)
    for outage in outages(case):
        rows = rows[(flows.start_ms[rows] < outage.start_ms) | (flows.start_ms[rows] > outage.end_ms)]
    return rows


def scans_from(case: Case, least: int, span_ms: tuple[int, int]) -> tuple[Scan, ...]:
    """The same with so many addresses in ten minutes for the least, in a part of the time."""
    flows, rows = case.flows, _probes(case)
    rows = rows[(flows.start_ms[rows] >= span_ms[0]) & (flows.start_ms[rows] < span_ms[1])]
    tries = np.bincount(flows.inside[rows], minlength=1)
    rows = rows[(tries >= least)[flows.inside[rows]]]
    rows = rows[ordered_by(flows.inside[rows], flows.insides)]
    suspects = [of_host for of_host in _by_host(flows, rows) if _reaches_many(flows, of_host, least)]
    if not suspects:
        return ()
    # Of all of them at once, since a look for answers goes through all flows.
    in_vain = _in_vain(case, np.concatenate(suspects))
    judged = [
        _host(case, of_host, int(flows.inside[of_host[0]]), least) for of_host in _by_host(flows, in_vain)
    ]
    found = [scan for scan in judged if scan is not None]
    return tuple(sorted(found, key=lambda scan: (-scan.addresses, flows.addresses[scan.inside])))


def _by_host(flows: SiteFlows, rows: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """The rows of each inside host; those of one host follow one another."""
    return np.split(rows, np.flatnonzero(np.diff(flows.inside[rows])) + 1) if len(rows) else []


def _host(case: Case, rows: NDArray[np.intp], inside: int, least: int) -> Scan | None:
    """rows: what the host tried in vain."""
    flows = case.flows
    if not _reaches_many(flows, rows, least):
        return None
    kinds, inverse, counts = np.unique(service_keys(flows, rows), return_inverse=True, return_counts=True)
    # Equal counts in the order of the port, so that output is stable.
    top = np.argsort(-counts, kind="stable")[:PORTS]
    top = top[counts[top] >= counts[top[0]] / 10]
    scanned = np.isin(inverse, top)
    if scanned.sum() < PORTS_SHARE * len(rows):
        return None
    rows = rows[scanned]
    if not _reaches_many(flows, rows, least):
        return None
    addresses = len(np.unique(flows.outside[rows]))
    attempts = int(np.count_nonzero(begins_attempt(flows, rows)))
    if attempts > TRIES_EACH * addresses:
        return None
    unanswered = _unanswered_share(case, rows, inside, kinds[top])
    if unanswered < UNANSWERED:
        return None
    ports = tuple(_port(int(kind) & 0xFF, int(kind) >> 8) for kind in sorted(kinds[top]))
    return Scan(inside, rows, attempts, addresses, ports, _most_addresses(flows, rows, SLOT_MS), unanswered)


def _port(protocol: int, port: int) -> tuple[int, int]:
    return protocol, 0 if protocol in (ICMP, ICMPV6) else port


def _in_vain(case: Case, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """What nobody answered but by a refusal. In a one-way export only SYNs by their flags tell: no ACK ever
    followed.
    """
    flows = case.flows
    in_vain = (flows.protocol[rows] == TCP) & (flows.tcp_flags[rows] >= 0)
    if sees_downloads(flows):
        in_vain = ~answered(flows, rows, refusals=False)
    kept: NDArray[np.intp] = rows[in_vain]
    return kept


def _reaches_many(flows: SiteFlows, rows: NDArray[np.intp], least: int) -> bool:
    """Whether the rows' outside addresses are as many as those of a scan, a hasty one or a patient one."""
    return any(
        _most_rows(flows, rows, slot_ms) >= many and _most_addresses(flows, rows, slot_ms) >= many
        for slot_ms, many in ((SLOT_MS, least), (LONG_SLOT_MS, LONG_SLOT_TIMES * least))
    )


def _most_rows(flows: SiteFlows, rows: NDArray[np.intp], slot_ms: int) -> int:
    """At least as many as _most_addresses(), and quickly told: twice the most rows in one of the slots side by side."""
    start = flows.start_ms[rows]
    return 2 * int(np.bincount((start - start.min()) // slot_ms, minlength=1).max()) if len(rows) else 0


def _most_addresses(flows: SiteFlows, rows: NDArray[np.intp], slot_ms: int) -> int:
    """The most distinct outside addresses within one slot; slots overlap by half, so that none is cut in two."""
    most = 0
    for shift in (0, slot_ms // 2):
        slot = (flows.start_ms[rows] + shift) // slot_ms
        pairs = np.unique(slot << 32 | flows.outside[rows].astype(np.int64))
        if len(pairs):
            most = max(most, int(np.unique(pairs >> 32, return_counts=True)[1].max()))
    return most


def _unanswered_share(case: Case, rows: NDArray[np.intp], inside: int, kinds: NDArray[np.int64]) -> float:
    """Of all that the host sent to these ports meanwhile, the part of the addresses that never answered."""
    flows = case.flows
    begin, end = flows.start_ms[rows].min(), flows.start_ms[rows].max()
    all_sent = np.flatnonzero((flows.inside == inside) & (flows.direction == UP) & (flows.link >= 0))
    all_sent = all_sent[(flows.start_ms[all_sent] >= begin) & (flows.start_ms[all_sent] <= end)]
    all_sent = all_sent[np.isin(service_keys(flows, all_sent), kinds)]
    # The rows are among them.
    return len(np.unique(flows.outside[rows])) / len(np.unique(flows.outside[all_sent]))
