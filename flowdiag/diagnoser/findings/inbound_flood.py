"""Many sources send one target what nobody asked for, at rates that no ordinary use explains: refer to security.

Means: someone tries to make the site or a service at it unreachable. Nothing at the site is at fault. A flood need not
fill the line: what exhausts a server or a router is packets and connections that stay half open.

Decided: for each target (inside address) those download records are taken that nobody asked for: TCP
without any ACK (no connection ever came about), and anything else without a record the other way. Spread
over their own time, ten seconds are flooded that have flood_packets_s or more of them; or flood_half_open_s or more of
those that leave connections half open or come unasked from a service that answers (names, time and the like), and
ten times what is usual for this target in the rest of the export. Either takes flood_sources addresses or more
within a minute. A minute of it at least, pauses of up to a minute bridged, is a flood, unless one source sends most.

Thresholds: flood_packets_s, 500 packets a second; flood_half_open_s, 50 a second, since a server keeps a half-open
connection for about a minute and has room for some hundreds to some thousands; flood_sources, 100: the noise that any
public address gets is under ten a second. Where the rest of the export has no ten minutes, these alone decide. Common
practice, no source.

Fooled by: a popular server gets very many sources too, and answers them. A large download from many cache
servers is asked for and acknowledged. A collector that receives one-way reports from hundreds of devices
would look like it.

Do: the security contact and the carrier. No counter-measures from here.

Limits: in an export that shows no uploads only TCP without ACK counts, in a sampled one only where it is most of what
came for the target. A flood of a single source is not one. Below these thresholds the all-clear says the unusual rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.chunks import chunked_sum, ordered_by
from flowdiag.aggregator.site_flows import DOWN, UP, SiteFlows, select
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.evidence import Applications, Destinations, Evidence, Hosts, Key, Protocol
from flowdiag.diagnoser.finding import Confidence, Finding
from flowdiag.diagnoser.kind import Kind, Rank
from flowdiag.diagnoser.signals.conversations import (
    ACK,
    TCP,
    UDP,
    acknowledged,
    answered,
    conversation_keys,
    half_open,
)
from flowdiag.diagnoser.signals.filling import fills_link
from flowdiag.diagnoser.signals.shares import who_what_where
from flowdiag.diagnoser.signals.sustained import bridged
from flowdiag.diagnoser.signals.timeline import Grid
from flowdiag.durations import MINUTE_MS
from flowdiag.text.sentences import beyond as wording

CODE: Final = "inbound-flood"


@dataclass(frozen=True, eq=False)
class InboundFlood(Evidence):
    sources: Annotated[int, Key("outside addresses that sent", "sources")]
    mean_packets_s: Annotated[float, Key("mean of unasked packets a second", "mean")]
    peak_packets_s: Annotated[float, Key("the most in a window", "peak")]
    usual_packets_s: Annotated[
        float | None,
        Key("the same at the target at other times; null where there are none to compare with", "usual"),
    ]
    half_open: Annotated[
        int,
        Key(
            "connections that the target answered and nobody completed",
            "connections left half open",
            zero=False,
        ),
    ]
    protocol: Protocol
    port: Annotated[int | None, Key("port of the target that most packets went to; null for none", "port")]
    from_port: Annotated[
        int | None, Key("port that most came from, where it is one service's", "port of the sources")
    ]
    octets: Annotated[int, Key("IP octets of it", "volume")]
    mean_packet_octets: Annotated[int, Key("IP octets of a packet of it", "mean packet")]
    fills_link: Annotated[bool, Key("whether it filled the link", "fills the link")]
    hosts: Hosts
    applications: Applications
    destinations: Destinations


STEP_MS: Final = 10_000
LEAST_MS: Final = 60_000
BRIDGE_MS: Final = 60_000
CROWD_MS: Final = 1_800_000
USUAL_TIMES: Final = 10.0
USUAL_MS: Final = 600_000  # so much of the rest of the export says what is usual
SURE: Final = 4.0  # times the threshold from which there is no doubt
MAIN_PART: Final = 0.5
# Services over UDP that answer small questions with much, so that answers can be sent to whom they will not help
# (ports by convention: character generator, names, port mapper, time, NetBIOS, SNMP, CLDAP, SSDP, remote desktop
# service, device discovery, multicast names, cache).
REFLECTING: Final = (19, 53, 111, 123, 137, 161, 389, 1900, 3283, 3389, 3702, 5353, 11211)

_REFLECTS: Final = np.isin(np.arange(65_537), REFLECTING)  # the last entry is port -1, unknown


class _Spell(Struct, frozen=True, eq=False):
    """rows: of one target. usual: packets a second without the flood, None if not known; limit: what they passed."""

    begin_ms: int
    end_ms: int
    rows: NDArray[np.intp]
    rate: NDArray[np.float64]
    usual: float | None
    limit: float


def find(case: Case) -> list[Finding]:
    found = []
    for of_target in _by_target(case):
        if _spells(case, of_target):
            found += [
                _finding(case, spell)
                for spell in _spells(case, _unasked(case, of_target))
                if _many(case, spell)
            ]
    return found


def _by_target(case: Case) -> list[NDArray[np.intp]]:
    """The suspicious rows of each inside address that has enough of them for a minute of flood."""
    flows, thresholds = case.flows, case.profile.thresholds
    suspicious = select(flows, _suspicious)
    size = flows.insides

    def sums(step: slice) -> NDArray[np.float64]:
        chunk, rows = flows.at(step), np.flatnonzero(suspicious[step])
        kind = chunk.inside[rows] + size * _is_certain(chunk)[rows]
        return np.stack([np.bincount(kind, weight, 2 * size) for weight in (chunk.packets[rows], None)])

    packets, records = chunked_sum(sums, len(flows), cells=2 * size).reshape(2, 2, size)
    enough = packets.sum(axis=0) * 1000 >= thresholds.flood_packets_s * LEAST_MS
    enough |= packets[1] * 1000 >= thresholds.flood_half_open_s * LEAST_MS
    enough &= records.sum(axis=0) >= thresholds.flood_sources
    if not enough.any():
        return []
    rows = np.flatnonzero(suspicious)
    rows = rows[enough[flows.inside[rows]]]
    rows = rows[_crowded(case, rows)[flows.inside[rows]]]
    rows = rows[ordered_by(flows.inside[rows], size)]
    if not len(rows):
        return []
    return np.split(rows, np.flatnonzero(np.diff(flows.inside[rows])) + 1)


def _crowded(case: Case, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Per address, whether half an hour can hold a minute of flood: enough records and packets touch it.

    A day at a busy site has enough of both for anybody.
    """
    flows, thresholds = case.flows, case.profile.thresholds
    targets, number = np.unique(flows.inside[rows], return_inverse=True)
    start, end, packets = flows.start_ms[rows], flows.end_ms[rows], flows.packets[rows]
    begin = int(start.min())
    first, last = (start - begin) // CROWD_MS, (end - begin) // CROWD_MS
    slots = int(last.max()) + 1
    cells = len(targets) * slots
    other, long = np.flatnonzero(last != first), np.flatnonzero(last > first + 1)
    cell, end_cell = number * slots + first, (number * slots + last)[other]
    enough = np.ones((len(targets), slots), dtype=np.bool_)
    least = min(thresholds.flood_packets_s, thresholds.flood_half_open_s) * LEAST_MS / 1000
    for weight, needed in ((packets, least), (None, thresholds.flood_sources)):
        held = np.bincount(cell, weight, cells)
        held = held + np.bincount(end_cell, None if weight is None else weight[other], cells)
        # What is longer than the half hours it begins and ends in counts in each of its target's.
        everywhere = np.bincount(number[long], None if weight is None else weight[long], len(targets))
        enough &= held.reshape(len(targets), slots) + everywhere[:, None] >= needed
    crowded = np.zeros(len(flows.addresses), dtype=np.bool_)
    crowded[targets[enough.any(axis=1)]] = True
    return crowded


def _suspicious(flows: SiteFlows) -> NDArray[np.bool_]:
    """What came in over a link and is not known to belong to a connection."""
    tcp = flows.protocol == TCP
    no_connection = tcp & ((flows.tcp_flags & ACK) == 0)
    # Every TCP packet has a flag; an exporter that says 0 does not know them.
    doubtful = ~tcp | (flows.tcp_flags <= 0)
    coming = (flows.direction == DOWN) & (flows.link >= 0)
    suspicious: NDArray[np.bool_] = coming & (no_connection | doubtful)
    return suspicious


def _is_certain(flows: SiteFlows) -> NDArray[np.bool_]:
    """What no program of the site is waiting for if it did not ask: SYNs, and answers of services."""
    certain: NDArray[np.bool_] = half_open(flows) | (
        (flows.protocol == UDP) & _REFLECTS.take(flows.outside_port)
    )
    return certain


def _unasked(case: Case, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """rows: of one target."""
    flows = case.flows
    asked = (flows.protocol[rows] != TCP) | (flows.tcp_flags[rows] <= 0)
    if bool(np.any((flows.direction == UP) & (flows.link >= 0))):
        asked &= answered(flows, rows)
    asked |= acknowledged(flows, rows)
    unasked: NDArray[np.intp] = rows[~asked]
    return unasked


def _grid(case: Case) -> Grid:
    usage = case.usage
    return Grid(usage.start_ms, STEP_MS, -(-usage.windows * usage.window_ms // STEP_MS))


def _spells(case: Case, rows: NDArray[np.intp]) -> list[_Spell]:
    """Each time in which one target is flooded; rows: what came to it suspiciously, or unasked."""
    flows, thresholds, grid = case.flows, case.profile.thresholds, _grid(case)
    certain = rows[_is_certain(flows.at(rows))]
    usual, limit = None, thresholds.flood_half_open_s
    over = np.zeros(grid.bins, dtype=np.bool_)
    for counted, least in ((rows, thresholds.flood_packets_s), (certain, limit)):
        high = _packets_s(flows, grid, counted) >= least
        if high.any():
            over |= high & (_sources(flows, grid, counted) >= thresholds.flood_sources)
    if not over.any():
        return []
    usual = _usual(case, grid, certain, over)
    limit = max(limit, USUAL_TIMES * (usual or 0.0))
    spells = []
    for first, stop in bridged(over, BRIDGE_MS // STEP_MS):
        begin, end = grid.time_of(first), grid.time_of(stop)
        lasting = int(np.count_nonzero(over[first:stop])) * STEP_MS
        every = _touching(flows, rows, begin, end)
        rate = _packets_s(flows, grid, every)[first:stop]
        plain = float(rate.mean()) >= thresholds.flood_packets_s
        if not plain:
            every = _touching(flows, certain, begin, end)
            rate = _packets_s(flows, grid, every)[first:stop]
        if lasting >= LEAST_MS and (plain or float(rate.mean()) >= limit):
            spells.append(
                _Spell(begin, end, every, rate, usual, thresholds.flood_packets_s if plain else limit)
            )
    return spells


def _touching(flows: SiteFlows, rows: NDArray[np.intp], begin: int, end: int) -> NDArray[np.intp]:
    return rows[(flows.end_ms[rows] >= begin) & (flows.start_ms[rows] < end)]


def _packets_s(flows: SiteFlows, grid: Grid, rows: NDArray[np.intp]) -> NDArray[np.float64]:
    """Packets a second in each bin."""
    spread = grid.spread(flows.start_ms[rows], flows.end_ms[rows], flows.packets[rows])
    return spread * (1000.0 / grid.step_ms)


def _sources(flows: SiteFlows, grid: Grid, rows: NDArray[np.intp]) -> NDArray[np.int64]:
    """Different addresses that sent in the minute of each bin; who begins anew counts once each minute."""
    minute = flows.start_ms[rows] // MINUTE_MS
    _, first = np.unique(minute << 32 | flows.outside[rows].astype(np.int64), return_index=True)
    begins = minute[first] * MINUTE_MS
    return grid.covering(begins, np.maximum(flows.end_ms[rows[first]], begins + MINUTE_MS - 1))


def _usual(case: Case, grid: Grid, certain: NDArray[np.intp], over: NDArray[np.bool_]) -> float | None:
    """Median of packets a second to this target in the time that the export covers without a flood."""
    first, last = case.coverage.first_ms, case.coverage.last_ms
    rest = ~over
    if first is not None and last is not None:
        rest[: int(grid.bin_of(np.array(first)))] = False
        rest[int(grid.bin_of(np.array(last))) + 1 :] = False
    if np.count_nonzero(rest) * STEP_MS < USUAL_MS:
        return None
    return float(np.median(_packets_s(case.flows, grid, certain)[rest]))


def _many(case: Case, spell: _Spell) -> bool:
    """Whether many sources send, none of them most; and, of sampled packets, whether it is most of what came.

    A sampled record of a sound connection often shows its SYN alone.
    """
    flows, rows = case.flows, spell.rows
    by_source = np.bincount(np.unique(flows.outside[rows], return_inverse=True)[1], flows.packets[rows])
    if (
        len(by_source) < case.profile.thresholds.flood_sources
        or by_source.max() > MAIN_PART * by_source.sum()
    ):
        return False
    if case.coverage.sampling <= 1:
        return True
    target = flows.inside[rows[0]]
    came = np.flatnonzero((flows.inside == target) & (flows.direction == DOWN) & (flows.protocol == TCP))
    came = _touching(flows, came, spell.begin_ms, spell.end_ms)
    unasked = rows[flows.protocol[rows] == TCP]
    return float(flows.packets[unasked].sum()) >= MAIN_PART * float(flows.packets[came].sum())


def _finding(case: Case, spell: _Spell) -> Finding:
    flows, rows = case.flows, spell.rows
    start = max(int(flows.start_ms[rows].min()), spell.begin_ms)
    end = min(int(flows.end_ms[rows].max()), spell.end_ms)
    link = int(np.bincount(flows.link[rows], flows.packets[rows]).argmax())
    mean = float(spell.rate.mean())
    protocol, port, from_port = _service(flows, rows)
    confidence: Confidence = "high" if mean >= SURE * spell.limit else "medium"
    evidence = InboundFlood(
        sources=len(np.unique(flows.outside[rows])),
        mean_packets_s=round(mean),
        peak_packets_s=round(float(spell.rate.max())),
        usual_packets_s=None if spell.usual is None else round(spell.usual, 2),
        half_open=_stay_half_open(flows, rows),
        protocol=protocol,
        port=port,
        from_port=from_port,
        octets=int(flows.octets[rows].sum()),
        mean_packet_octets=round(float(flows.octets[rows].sum() / max(flows.packets[rows].sum(), 1.0))),
        fills_link=fills_link(case, link, DOWN, rows),
        **who_what_where(case, rows, flows.packets[rows]),
    )
    summary, client = wording.inbound_flood(case, evidence, start, end)
    return Finding(
        code=CODE,
        severity="critical",
        confidence=confidence,
        summary=summary,
        client=client,
        link=case.profile.link[link].name,
        direction="down",
        start_ms=start,
        end_ms=end,
        evidence=evidence,
        actions=wording.SECURITY_AND_CARRIER,
    )


def _service(flows: SiteFlows, rows: NDArray[np.intp]) -> tuple[int | None, int | None, int | None]:
    """Protocol, port of the target, and port of the sources, each that of most packets; None where there is none."""

    def main(values: NDArray[Any]) -> int | None:
        known, inverse = np.unique(values, return_inverse=True)
        packets = np.bincount(inverse, flows.packets[rows])
        most = int(packets.argmax())
        return int(known[most]) if packets[most] >= MAIN_PART * packets.sum() and known[most] >= 0 else None

    protocol = main(flows.protocol[rows])
    if protocol not in (TCP, UDP):
        return protocol, None, None
    port, from_port = main(flows.inside_port[rows]), main(flows.outside_port[rows])
    return protocol, port, from_port if protocol == UDP and from_port in REFLECTING else None


def _stay_half_open(flows: SiteFlows, rows: NDArray[np.intp]) -> int:
    """Connections that were opened from outside, not refused, and never gone on with."""
    opening = rows[half_open(flows.at(rows))]
    if not len(opening):
        return 0
    refused = answered(flows, opening) & ~answered(flows, opening, refusals=False)
    return len(np.unique(conversation_keys(flows, opening[~refused])))


KIND: Final = Kind(
    code=CODE,
    page=15,
    find=find,
    evidence=InboundFlood,
    ranks=(Rank(40),),
    means="This traffic came from outside and was not asked for by any of your devices.",
    next_step="We pass this to the security contact, who decides with the carrier what to do.",
)
