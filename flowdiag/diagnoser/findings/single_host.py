"""One host has most of the traffic of the window.

Means: if the site is slow, this device is the first to look at. By itself it is no fault: a server, a
backup job or a large download is often meant to be there.

Decided: the IP octets that fell in the complaint's window are added up by inside address, all links and both
directions together. The finding is made when one address of the site's networks has more than half of them: a router's own
address, which stands for all hosts behind it, is no one host.

Thresholds: single_host, 0.5: what the word "most" means.

Fooled by: a second router or proxy inside the site, which makes many devices one address; a device with an
IPv4 and an IPv6 address counts as two.

Do: the helpdesk asks the client what the device is and whether its traffic is expected.

Limits: an address is a device at best, never a person. Traffic between two inside hosts is on no link and
not counted.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.addresses import PRIVATE_NETWORKS
from flowdiag.aggregator.spread import part_inside
from flowdiag.aggregator.steps import added_up
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.confidence import graded, of_loss, of_silence
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.kind import Kind
from flowdiag.diagnoser.sentences import actions as actions
from flowdiag.diagnoser.sentences import verdict as wording_verdict
from flowdiag.diagnoser.signals.failovers import part_within
from flowdiag.diagnoser.signals.shares import lies_in, who_what_where

CODE: Final = "single-host"


def find(case: Case) -> list[Finding]:
    flows, (begin, end) = case.flows, case.window_ms
    size = flows.insides

    def sums(step: slice) -> NDArray[np.float64]:
        part = part_inside(flows.start_ms[step], flows.end_ms[step], begin, end)
        part[flows.link[step] < 0] = 0.0
        return np.bincount(flows.inside[step], flows.octets[step] * part, size).astype(np.float64)

    by_host = added_up(sums, len(flows), cells=size)
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
    mine = flows.inside[rows] == largest
    evidence = {
        "octets": int(by_host[largest]),
        "share": round(float(by_host[largest]) / total, 4),
        **who_what_where(case, rows[mine], octets[mine]),
        "hosts": who_what_where(case, rows, octets)["hosts"],
    }
    usage = case.usage
    first = max((begin - usage.start_ms) // usage.window_ms, 0)
    past = max((end - usage.start_ms) // usage.window_ms, first)
    level, doubts = graded((of_silence(case, first, past), of_loss(case, lowers=True)))
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
            actions=actions.ONE_HOST,
            doubts=doubts,
        )
    ]


KIND: Final = Kind(
    code=CODE,
    page=13,
    find=find,
)
