"""Requests left by one link and their answers came back by another.

Means: whatever keeps a state for each connection on the way, a firewall or an address translation at the site or at the
carrier, sees one half of it. Some drop the other half, so that connections stall or never come up while both lines are
fast; and the line that carries the answers is used for what the plan of the site puts on the other.

Decided: of each TCP or UDP conversation with packets in both directions it is looked at which links carried its requests and
which its answers. It is asymmetric where no link carried both, and where at least half of the shorter direction's time
lies within the other's, so that a change of the line in the midst of a conversation is none. Keepalives and
unasked packets from outside are left aside. From twenty such conversations by the same two links on, over three minutes or
more, it is told; it is the verdict where they have a fifth of the octets of all conversations of that time.

Thresholds: twenty conversations and three minutes: fewer may be chance (common practice, no source). A fifth: as a part that
many devices notice (common practice, no source).

Fooled by: interface numbers in the profile that put one link's two directions on two links; a router that exports one
direction of a link only and another router that exports the rest, where the profile mixes both up. Equal-cost
paths on purpose, as of a site with its own address space and two carriers: then it is known, and harmless where
nothing on the way keeps a state.

Do: an engineer looks at the routes and at the policy of each line: answers have to come back to the address that the request
left from. The helpdesk asks whether single services fail rather than all being slow.

Limits: behind an address translation that is exported from outside only, and for exporters that show one direction, nothing
can be said. A conversation of which a direction is missing is not counted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import permutations
from typing import Annotated, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.evidence import Applications, Destinations, Evidence, Hosts, Key
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.kind import Kind, Rank
from flowdiag.diagnoser.signals.conversations import TCP, UDP, among, conversation_keys
from flowdiag.diagnoser.signals.link_states import link_states
from flowdiag.diagnoser.signals.shares import who_what_where
from flowdiag.durations import MINUTE_MS
from flowdiag.text.sentences import asymmetric_path as wording

CODE: Final = "asymmetric-path"


@dataclass(frozen=True, eq=False)
class AsymmetricPath(Evidence):
    conversations: Annotated[int, Key("conversations whose answers took another link", "conversations")]
    octets: Annotated[int, Key("IP octets of them, both directions", "volume")]
    conversation_share: Annotated[
        float, Key("their part of the octets of all conversations of that time", "share of the conversations")
    ]
    requests_by: Annotated[str, Key("the link that requests left by", "requests by")]
    answers_by: Annotated[str, Key("the link that answers came by", "answers by")]
    hosts: Hosts
    applications: Applications
    destinations: Destinations


LEAST_CONVERSATIONS: Final = 20
LEAST_MS: Final = 3 * MINUTE_MS
TOGETHER: Final = 0.5  # of the shorter direction's time
FELT: Final = 0.2


class _Crossing(Struct, frozen=True, eq=False):
    """Rows of the conversations that leave by one link and are answered by another, and how many these are."""

    up_link: int
    down_link: int
    rows: NDArray[np.intp]
    conversations: int


def find(case: Case) -> list[Finding]:
    if len(case.profile.link) < 2 or not case.coverage.links_apart:
        return []
    return [_finding(case, crossing) for crossing in _crossings(case) if _sustained(case, crossing)]


def _crossings(case: Case) -> Iterator[_Crossing]:
    flows = case.flows
    talking = _talking(case)
    links = range(len(case.profile.link))
    ways = {
        (link, direction): np.flatnonzero(talking & (flows.link == link) & (flows.direction == direction))
        for link in links
        for direction in (UP, DOWN)
    }
    for up_link, down_link in permutations(links, 2):
        sent, came = ways[up_link, UP], ways[down_link, DOWN]
        if min(len(sent), len(came)) < LEAST_CONVERSATIONS:
            continue
        sent_keys, came_keys = conversation_keys(flows, sent), conversation_keys(flows, came)
        crossed = np.unique(came_keys[among(came_keys, sent_keys)])
        for link in links:  # a link that carried both directions of a conversation is its path
            both = [
                among(crossed, conversation_keys(flows, ways[link, direction])) for direction in (UP, DOWN)
            ]
            crossed = crossed[~(both[0] & both[1])]
        rows = np.concatenate((sent[among(sent_keys, crossed)], came[among(came_keys, crossed)]))
        keys = conversation_keys(flows, rows)
        kept = _at_once(case, rows, keys)
        yield _Crossing(up_link, down_link, rows[kept], len(np.unique(keys[kept])))


def _talking(case: Case) -> NDArray[np.bool_]:
    """Which flows are of ordinary conversations that have ports."""
    ordinary: NDArray[np.bool_] = link_states(case).ordinary & np.isin(case.flows.protocol, (TCP, UDP))
    return ordinary


def _at_once(case: Case, rows: NDArray[np.intp], keys: NDArray[np.uint64]) -> NDArray[np.bool_]:
    """Which rows belong to conversations whose two directions ran at the same time. Shape [len(rows)]."""
    flows = case.flows
    known, number = np.unique(keys, return_inverse=True)
    begin = np.full((2, len(known)), np.iinfo(np.int64).max)
    end = np.full((2, len(known)), np.iinfo(np.int64).min)
    direction = flows.direction[rows].astype(np.intp)
    np.minimum.at(begin, (direction, number), flows.start_ms[rows])
    np.maximum.at(end, (direction, number), flows.end_ms[rows])
    together = np.minimum(*end) - np.maximum(*begin)
    shorter = np.minimum(*(end - begin))
    at_once: NDArray[np.bool_] = (together >= TOGETHER * shorter)[number]
    return at_once


def _span(case: Case, crossing: _Crossing) -> tuple[int, int]:
    return int(case.flows.start_ms[crossing.rows].min()), int(case.flows.end_ms[crossing.rows].max())


def _sustained(case: Case, crossing: _Crossing) -> bool:
    if crossing.conversations < LEAST_CONVERSATIONS:
        return False
    start, end = _span(case, crossing)
    return end - start >= LEAST_MS


def _finding(case: Case, crossing: _Crossing) -> Finding:
    flows, rows = case.flows, crossing.rows
    start, end = _span(case, crossing)
    octets = flows.octets[rows]
    meanwhile = _talking(case) & (flows.start_ms < end) & (flows.end_ms >= start)
    share = float(octets.sum()) / float(flows.octets[meanwhile].sum())
    out, back = (case.profile.link[link].name for link in (crossing.up_link, crossing.down_link))
    summary, client = wording.asymmetric_path(case, start, end, crossing.conversations, out, back, share)
    return Finding(
        code=CODE,
        severity="warning",
        confidence="high" if share >= FELT and case.coverage.sampling <= 1 else "medium",
        summary=summary,
        client=client,
        link=back,
        direction="down",
        start_ms=start,
        end_ms=end,
        evidence=AsymmetricPath(
            conversations=crossing.conversations,
            octets=int(octets.sum()),
            conversation_share=round(share, 4),
            requests_by=out,
            answers_by=back,
            **who_what_where(case, rows, octets),
        ),
        actions=wording.ROUTES,
    )


def is_felt(case: Case, finding: Finding) -> bool:
    """Whether it concerns so much of the traffic that it explains a complaint."""
    return bool(finding.evidence.get("conversation_share", 0.0) >= FELT)


KIND: Final = Kind(
    code=CODE,
    page=20,
    find=find,
    evidence=AsymmetricPath,
    ranks=(Rank(75, is_felt),),
    means="Both lines were working. What goes out by one and comes back by the other, some services refuse.",
    next_step="We set the lines so that answers come back the way the requests went.",
)
