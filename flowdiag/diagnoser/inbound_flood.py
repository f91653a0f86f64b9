"""Many sources send to one target at packet rates that no ordinary use explains: refer to security.

Means: someone tries to make the site or a service at it unreachable. Nothing at the site is at fault.

Decided: for each target (inside address) those download records are taken that nobody asked for: TCP
without any ACK (no connection ever came about), and anything else without a record the other way. Spread
over their time, a minute is flooded that has flood_packets_s or more of such packets from flood_sources or
more records' sources; three such minutes in a row, one left out, are a flood.

Thresholds: flood_packets_s, 500 packets a second, and flood_sources, 100: the noise that any public
address gets is under ten a second. Common practice, no source.

Fooled by: a popular server gets very many sources too, and answers them. A large download from many cache
servers is asked for and acknowledged. A collector that receives one-way reports from hundreds of devices
would look like it.

Do: the security contact and the carrier. No counter-measures from here.

Limits: in an export that shows no uploads only TCP without ACK counts. A flood of a single source is not
one.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import DOWN, UP, SiteFlows, where
from flowdiag.aggregator.steps import added_up
from flowdiag.diagnoser import wording_beyond as words
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.conversations import ACK, TCP, answered
from flowdiag.diagnoser.filling import fills_link
from flowdiag.diagnoser.finding import Confidence, Finding
from flowdiag.diagnoser.shares import who_what_where
from flowdiag.diagnoser.timeline import Grid, runs

CODE: Final = "inbound-flood"

SUSTAINED: Final = 3  # windows of a minute in a row
SURE: Final = 4.0  # times the threshold from which there is no doubt


def find(case: Case) -> list[Finding]:
    flows, thresholds = case.flows, case.profile.thresholds
    suspicious = where(flows, _suspicious)
    # Too few packets for three minutes of flood, or too few records for its sources: nothing to look at.
    size = len(flows.addresses)

    def sums(step: slice) -> NDArray[np.float64]:
        rows = np.flatnonzero(suspicious[step])
        hosts = flows.inside[step][rows]
        return np.stack([np.bincount(hosts, weight, size) for weight in (flows.packets[step][rows], None)])

    packets, records = added_up(sums, len(flows), cells=size)
    enough = packets >= thresholds.flood_packets_s * 60 * SUSTAINED
    targets = np.flatnonzero(enough & (records >= thresholds.flood_sources))
    if not len(targets):
        return []
    rows = np.flatnonzero(suspicious)
    found = []
    for target in targets:
        mine = rows[flows.inside[rows] == target]
        if _flooded(case, mine):
            found += _of_target(case, _unasked(case, mine))
    return found


def _suspicious(flows: SiteFlows) -> NDArray[np.bool_]:
    """What came in over a link and is not known to belong to a connection."""
    tcp = flows.protocol == TCP
    no_connection = tcp & (flows.tcp_flags >= 0) & ((flows.tcp_flags & ACK) == 0)
    doubtful = ~tcp | (flows.tcp_flags < 0)
    coming = (flows.direction == DOWN) & (flows.link >= 0)
    suspicious: NDArray[np.bool_] = coming & (no_connection | doubtful)
    return suspicious


def _unasked(case: Case, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    flows = case.flows
    asked = (flows.protocol[rows] != TCP) | (flows.tcp_flags[rows] < 0)
    if bool(np.any((flows.direction == UP) & (flows.link >= 0))):
        asked &= answered(flows, rows)
    unasked: NDArray[np.intp] = rows[~asked]
    return unasked


def _minutes(case: Case) -> Grid:
    return Grid(case.usage.start_ms, case.usage.window_ms, case.usage.windows)


def _flooded(case: Case, rows: NDArray[np.intp]) -> list[tuple[int, int]]:
    """[first window, past the last) of each flood of three windows or more; one window is bridged."""
    flows, thresholds, grid = case.flows, case.profile.thresholds, _minutes(case)
    start, end = flows.start_ms[rows], flows.end_ms[rows]
    rate = grid.spread(start, end, flows.packets[rows]) * 1000.0 / grid.step_ms
    over = (rate >= thresholds.flood_packets_s) & (grid.covering(start, end) >= thresholds.flood_sources)
    over[1:-1] |= over[:-2] & over[2:]
    return [(first, past) for first, past in runs(over) if past - first >= SUSTAINED]


def _of_target(case: Case, rows: NDArray[np.intp]) -> list[Finding]:
    flows, grid = case.flows, _minutes(case)
    found = []
    for first, past in _flooded(case, rows):
        begin, end = grid.time_of(first), grid.time_of(past)
        mine = rows[(flows.end_ms[rows] >= begin) & (flows.start_ms[rows] < end)]
        sources = len(np.unique(flows.outside[mine]))
        if sources >= case.profile.thresholds.flood_sources:
            found.append(_finding(case, mine, begin, end, sources))
    return found


def _finding(case: Case, rows: NDArray[np.intp], begin: int, end: int, sources: int) -> Finding:
    flows, grid = case.flows, _minutes(case)
    rate = grid.spread(flows.start_ms[rows], flows.end_ms[rows], flows.packets[rows]) * 1000.0 / grid.step_ms
    during = rate[(begin - grid.start_ms) // grid.step_ms : (end - grid.start_ms) // grid.step_ms]
    start, stop = max(int(flows.start_ms[rows].min()), begin), min(int(flows.end_ms[rows].max()), end)
    link = int(np.bincount(flows.link[rows], flows.packets[rows]).argmax())
    fills = fills_link(case, link, DOWN, rows)
    mean = float(during.mean())
    sure = mean >= SURE * case.profile.thresholds.flood_packets_s
    confidence: Confidence = "high" if sure else "medium"
    summary, client = words.inbound_flood(case, sources, mean, start, stop, fills)
    evidence: dict[str, Any] = {
        "sources": sources,
        "mean_packets_s": round(mean),
        "peak_packets_s": round(float(during.max())),
        "octets": int(flows.octets[rows].sum()),
        "mean_packet_octets": round(float(flows.octets[rows].sum() / max(flows.packets[rows].sum(), 1.0))),
        "fills_link": fills,
        **who_what_where(case, rows, flows.packets[rows]),
    }
    return Finding(
        code=CODE,
        severity="critical",
        confidence=confidence,
        summary=summary,
        client=client,
        link=case.profile.link[link].name,
        direction="down",
        start_ms=start,
        end_ms=stop,
        evidence=evidence,
        actions=words.SECURITY_AND_CARRIER,
    )
