"""One host has most of the traffic of the window.

Means: where a link was short of room, this device is the first to look at. By itself it is no fault: a server, a
backup job or a large download is often meant to be there, and where the links had room it says no more than who was at work.

Decided: the IP octets that fell in the complaint's window are added up by inside address, all links and both
directions together. The finding is made when one address of the site's networks has more than half of them: a router's own
address, which stands for all hosts behind it, is no one host.

Thresholds: single_host, 0.5: what the word "most" means.

Fooled by: a second router or proxy inside the site, which makes many devices one address; a device with an
IPv4 and an IPv6 address counts as two.

Do: where a finding of the same time says that a link was full, busy or under its plan, or that the backup was used, and names
this device, the helpdesk asks the client what it is and whether its traffic is expected. Else there is nothing to do.

Limits: an address is a device at best, never a person. Traffic between two inside hosts is on no link and
not counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Final

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.addresses import PRIVATE_NETWORKS
from flowdiag.aggregator.chunks import chunked_sum
from flowdiag.aggregator.spread import part_inside
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.confidence import graded, of_loss, of_silence
from flowdiag.diagnoser.evidence import Applications, Destinations, Evidence, Hosts, Key
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.kind import Kind
from flowdiag.diagnoser.signals.failovers import part_within
from flowdiag.diagnoser.signals.shares import lies_in, who_what_where
from flowdiag.text.sentences import actions as actions
from flowdiag.text.sentences import verdict as wording_verdict

CODE: Final = "single-host"


@dataclass(frozen=True, eq=False)
class SingleHost(Evidence):
    octets: Annotated[int, Key("IP octets of the host, both directions", "volume")]
    share: Annotated[float, Key("its part of the site's octets", "share of all traffic")]
    hosts: Hosts
    applications: Applications
    destinations: Destinations


# Findings that say of a link that room was short on it, or dear.
ABOUT_ROOM: Final = ("link-full", "link-busy", "below-plan", "on-backup", "backup-leak")


def find(case: Case) -> list[Finding]:
    flows, (begin, end) = case.flows, case.window_ms
    size = flows.insides

    def sums(step: slice) -> NDArray[np.float64]:
        part = part_inside(flows.start_ms[step], flows.end_ms[step], begin, end)
        part[flows.link[step] < 0] = 0.0
        return np.bincount(flows.inside[step], flows.octets[step] * part, size).astype(np.float64)

    by_host = chunked_sum(sums, len(flows), cells=size)
    total = float(by_host.sum())
    if total <= 0.0:
        return []
    largest = int(by_host.argmax())
    if by_host[largest] <= case.profile.thresholds.single_host * total:
        return []
    if not lies_in(flows.addresses[largest], case.profile.site.lan or PRIVATE_NETWORKS):
        return []
    rows = np.flatnonzero((flows.link >= 0) & (flows.start_ms < end) & (flows.end_ms >= begin))
    octets = flows.octets[rows] * part_within(flows, rows, begin, end)
    of_host = flows.inside[rows] == largest
    evidence = SingleHost(
        octets=int(by_host[largest]),
        share=round(float(by_host[largest]) / total, 4),
        **who_what_where(case, rows[of_host], octets[of_host])
        | {"hosts": who_what_where(case, rows, octets)["hosts"]},
    )
    usage = case.usage
    first = max((begin - usage.start_ms) // usage.window_ms, 0)
    stop = max((end - usage.start_ms) // usage.window_ms, first)
    level, doubts = graded((of_silence(case, slice(first, stop)), of_loss(case, lowers=True)))
    summary, client = wording_verdict.single_host(case, evidence)
    return [
        Finding(
            code=CODE,
            severity="info",
            confidence=level,
            summary=summary,
            client=client,
            start_ms=begin,
            end_ms=end,
            evidence=evidence,
            doubts=doubts,
        )
    ]


def with_advice(findings: Sequence[Finding]) -> list[Finding]:
    """The findings; a single-host says what to do where its device matters, by what the other findings name."""
    loads = [finding for finding in findings if finding.code in ABOUT_ROOM]
    return [
        replace(finding, actions=actions.ONE_HOST)
        if finding.code == CODE and any(_matters_in(load, finding) for load in loads)
        else finding
        for finding in findings
    ]


def _matters_in(load: Finding, single: Finding) -> bool:
    """Whether a finding overlaps the window of a single-host and has its device among those that it names."""
    times = load.start_ms, load.end_ms, single.start_ms, single.end_ms
    if None in times or not (times[0] < times[3] and times[2] < times[1]):  # type: ignore[operator]
        return False
    host = single.evidence["hosts"][0]["address"]
    return any(named["address"] == host for named in load.evidence.get("hosts", ()))


KIND: Final = Kind(
    code=CODE,
    page=13,
    find=find,
    evidence=SingleHost,
)
