"""One host's attempts at one service that got no answer in the time asked about, too few for a finding of their own.

A till whose payment service is dead, or a phone that cannot register, makes ten attempts an hour, not hundreds: its user is
cut off all the same. So what fails ten times or more, and far more often than what works does, is named. It speaks against
an all-clear where it is an event (the service answered somebody at the site at another time, or the failures began within
the export), where it is a large part of all that the host tries, and where it is names, a tunnel or calls. A program in the
background that has called a dead destination all along, beside much that is answered, is only named (common practice, no source
for the figures).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.conversation_keys import conversation_key
from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.attempts import bare_syn, begins_attempt, connection_attempts, failed_attempts
from flowdiag.diagnoser.signals.conversations import UDP
from flowdiag.diagnoser.signals.scans import scans

LEAST: Final = 10
# So many of the attempts at it failed; a few per cent do anywhere.
OFTEN: Final = 0.2
# Of all that the host tried meanwhile.
LARGE_PART: Final = 0.2
# What fails within so long of the export's begin may have failed before.
ONSET_MS: Final = 300_000
# Requests by datagrams that go unanswered on many a healthy site: time, management, name services of devices, STUN.
NOT_MISSED: Final = (123, 161, 389, 3478)
# Names, tunnels and calls: whoever has them needs them.
ALWAYS_MISSED: Final = (53, 500, 1194, 4500, 5060, 5061, 51820)
# More than these are a habit of the site, or a scan.
MOST: Final = 3
# Services that failed most often; the rest of so many is no single service's trouble.
MOST_JUDGED: Final = 64


class DeadService(Struct, frozen=True):
    """What one host tried in vain in the time asked about."""

    host: int  # number of its address
    destination: int  # number of the outside address
    port: int
    protocol: int
    failed: int  # of the tried attempts
    tried: int
    start_ms: int  # of the first
    end_ms: int
    weighs: bool  # speaks against an all-clear; else it is a habit


def dead_services(case: Case) -> list[DeadService]:
    """Those that weigh first, the most failures first."""
    flows = case.flows
    begin, end = case.window_ms
    failed = failed_attempts(case)
    failed = failed[(flows.start_ms[failed] >= begin) & (flows.start_ms[failed] < end)]
    failed = failed[~((flows.protocol[failed] == UDP) & np.isin(flows.outside_port[failed], NOT_MISSED))]
    scanning = [scan.inside for scan in scans(case)]
    failed = failed[~np.isin(flows.inside[failed], scanning)]
    if len(failed) < LEAST:
        return []
    _, group, counts = np.unique(_keys(case, failed), return_inverse=True, return_counts=True)
    often = np.argsort(-counts, kind="stable")[:MOST_JUDGED]
    found = [_judged(case, failed[group == one]) for one in often.tolist() if counts[one] >= LEAST]
    dead = [one for one in found if one is not None]
    dead.sort(
        key=lambda one: (
            not one.weighs,
            -one.failed,
            flows.addresses[one.host],
            flows.addresses[one.destination],
            one.port,
        )
    )
    return dead[:MOST]


def _keys(case: Case, rows: NDArray[np.intp]) -> NDArray[np.uint64]:
    """A key of host, destination, port and protocol for each row; shape [len(rows)]."""
    flows = case.flows
    nowhere = np.full(len(rows), -1, np.int32)
    return conversation_key(
        flows.inside[rows], flows.outside[rows], nowhere, flows.outside_port[rows], flows.protocol[rows]
    )


def _judged(case: Case, failed: NDArray[np.intp]) -> DeadService | None:
    """failed: rows of one host's attempts at one service in the time asked about."""
    flows, (begin, end) = case.flows, case.window_ms
    columns = (flows.inside, flows.outside, flows.outside_port, flows.protocol)
    host, destination, port, protocol = (int(column[failed[0]]) for column in columns)
    tried = connection_attempts(case)
    tried = tried[
        (flows.inside[tried] == host) & (flows.start_ms[tried] >= begin) & (flows.start_ms[tried] < end)
    ]
    tried = tried[begins_attempt(flows, tried)]
    here = (
        (flows.outside[tried] == destination)
        & (flows.outside_port[tried] == port)
        & (flows.protocol[tried] == protocol)
    )
    attempts = max(int(np.count_nonzero(here)), len(failed))
    if len(failed) < OFTEN * attempts:
        return None
    start, last = int(flows.start_ms[failed].min()), int(flows.end_ms[failed].max())
    large = len(failed) >= LARGE_PART * max(len(tried), 1)
    weighs = (
        large
        or port in ALWAYS_MISSED
        or _answered_otherwise(case, destination, port, protocol)
        or _began_within(case, failed, start)
    )
    return DeadService(host, destination, port, protocol, len(failed), attempts, start, last, weighs)


def _answered_otherwise(case: Case, destination: int, port: int, protocol: int) -> bool:
    """Whether the service answered anybody at the site at any time."""
    flows = case.flows
    rows = np.flatnonzero(flows.outside == destination)
    answers = (flows.direction[rows] == DOWN) & (flows.outside_port[rows] == port)
    answers &= (flows.protocol[rows] == protocol) & ~bare_syn(flows)[rows]
    return bool(answers.any())


def _began_within(case: Case, failed: NDArray[np.intp], start: int) -> bool:
    """Whether the same was not tried in vain before the first failure, for long enough to tell."""
    flows = case.flows
    if start - (case.coverage.first_ms or 0) < ONSET_MS:
        return False
    before = failed_attempts(case)
    before = before[flows.start_ms[before] < start]
    return not bool((_keys(case, before) == _keys(case, failed[:1])).any())
