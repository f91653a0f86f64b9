"""Calls or other real-time traffic shared a full link without priority marking.

Means: a call needs its packets at once, every few milliseconds. On a full link they wait behind bulk
transfers, and voices break up, although a call itself needs very little. Priority for calls cures this
without a larger plan.

Decided: within each full episode of a link direction, UDP conversations are looked at that run both ways.
One is real-time when each direction has 15 to 1000 packets a second of 60 to 1300 octets on average over
the time that its records cover, 45 seconds or more, and neither end is a port of tunnels, name look-ups or
the like. Five packets a second are enough where the ports or the application's name are those of calls. It
is unmarked when less than half of its packets in the full direction carry a priority code point: EF,
VOICE-ADMIT, CS4, CS5, AF41 to AF43, CS6 (RFC 4594, RFC 5865). For the arithmetic: G.711 with 20 ms of sound
a packet is 50 packets a second of 200 IP octets, 80 kbit/s a direction (RFC 3551).

Thresholds: the packet rates and sizes are common practice, no source: voice uses 33 to 100 packets a
second, video up to several hundred.

Fooled by: games and some tunnels look the same (real-time too, in their way). Carriers often clear marks on
downloads, so a download may have been marked where it was sent.

Do: the engineer marks calls and gives them priority on the full link.

Limits: where the export has no code points, it is only said that calls shared a full link. Calls over TCP
are not recognised. How a call sounded cannot be seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.confidence import MAJOR, MINOR, Doubt, graded, of_resolution
from flowdiag.diagnoser.evidence import Applications, Capacity, Destinations, Evidence, Hosts, Key
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.kind import Kind
from flowdiag.diagnoser.signals.calls import named_as_calls, realtime
from flowdiag.diagnoser.signals.conversations import conversation_keys
from flowdiag.diagnoser.signals.episodes import Episode, capacity_mbps, episodes
from flowdiag.diagnoser.signals.failovers import part_within
from flowdiag.diagnoser.signals.saturation import way
from flowdiag.diagnoser.signals.shares import who_what_where
from flowdiag.text.sentences import actions as actions
from flowdiag.text.sentences import load as wording
from flowdiag.text.sentences import verdict as wording_verdict

CODE: Final = "realtime-contention"


@dataclass(frozen=True, eq=False)
class RealtimeContention(Evidence):
    calls: Annotated[int, Key("conversations of voice or video", "calls")]
    mean_mbps: Annotated[float, Key("mean rate of their IP octets, all together", "mean")]
    capacity_mbps: Capacity
    marked_share: Annotated[
        float | None,
        Key(
            "part of their octets with priority marking; null where the export tells none",
            "share with priority marking",
        ),
    ]
    hosts: Hosts
    applications: Applications
    destinations: Destinations


MARKED_PART: Final = 0.5
# RFC 4594 section 2.3 (telephony EF, signalling CS5, conferencing AF4x, interactive CS4, control CS6);
# VOICE-ADMIT is 44 (RFC 5865).
PRIORITY: Final = (46, 44, 40, 34, 36, 38, 32, 48)


class _Calls(Struct, frozen=True, eq=False):
    """rows: of the real-time conversations in the full direction; octets: of each in the time.

    named: whether any is known as a call by its ports or name; marked: part of the packets with priority,
    None where the export does not tell.
    """

    rows: NDArray[np.intp]
    octets: NDArray[np.float64]
    conversations: int
    named: bool
    marked: float | None


def find(case: Case) -> list[Finding]:
    found = []
    for episode in episodes(case).full:
        calls = _calls(case, episode)
        if calls is not None and (calls.marked is None or calls.marked < MARKED_PART):
            found.append(_finding(case, episode, calls))
    return found


def _calls(case: Case, episode: Episode) -> _Calls | None:
    flows, times = case.flows, episode.times(case)
    found = realtime(case, (episode.link,), times)
    if not len(found.keys):
        return None
    rows = found.ways[episode.direction]
    part = part_within(flows, rows, *times)
    packets, dscp = flows.packets[rows] * part, flows.dscp[rows]
    has_dscp = dscp >= 0
    marked = None
    if packets[has_dscp].sum() > 0.0:
        marked = float(packets[np.isin(dscp, PRIORITY)].sum() / packets[has_dscp].sum())
    known = bool(named_as_calls(case, rows).any())
    # Unmarked ones beside marked ones are what is told; where all are marked there is nothing to tell.
    if marked is not None and marked < MARKED_PART:
        plain = ~np.isin(dscp, PRIORITY)
        rows, part = rows[plain], part[plain]
    count = len(np.unique(conversation_keys(flows, rows)))
    return _Calls(rows, flows.octets[rows] * part, count, known, marked)


def _finding(case: Case, episode: Episode, calls: _Calls) -> Finding:
    flows, (begin, end) = case.flows, episode.times(case)
    start = max(begin, int(flows.start_ms[calls.rows].min()))
    stop = min(end, int(flows.end_ms[calls.rows].max()))
    mean = float(calls.octets.sum()) * 8.0 / max(stop - start, 1) / 1000.0
    evidence = RealtimeContention(
        calls=calls.conversations,
        mean_mbps=round(mean, 3),
        capacity_mbps=capacity_mbps(case, episode.link, episode.direction),
        marked_share=None if calls.marked is None else round(calls.marked, 4),
        **who_what_where(case, calls.rows, calls.octets),
    )
    level, doubts = graded(
        (
            None if calls.named else Doubt(wording.SHAPE_ONLY, MINOR),
            Doubt(wording.MARKING_UNKNOWN, MAJOR) if calls.marked is None else None,
            of_resolution(case, end - begin),
        )
    )
    summary, client = wording_verdict.realtime(
        case, episode.link, episode.direction, start, stop, evidence, calls.marked is not None
    )
    return Finding(
        code=CODE,
        severity="warning",
        confidence=level,
        summary=summary,
        client=client,
        link=case.profile.link[episode.link].name,
        direction=way(episode.direction),
        start_ms=start,
        end_ms=stop,
        evidence=evidence,
        actions=actions.CALLS,
        doubts=doubts,
    )


KIND: Final = Kind(
    code=CODE,
    page=12,
    find=find,
    evidence=RealtimeContention,
)
