"""Outages of seconds: nothing came in over any link for twenty seconds to three minutes, in the time asked about.

In so short a time a quiet site looks no different, so only these prove it: hosts tried in vain to reach several destinations,
some of which answer at other times, or several hosts tried many times; or conversations that had run without a pause stopped
together and went on together (interrupted.py). The first seconds of a failover belong to that. What is silent without proof,
for longer as well, is a doubt for not-the-link (common practice, no source for the figures).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.conversations import distinct
from flowdiag.diagnoser.signals.cut_off import (
    STEP_MS,
    Outage,
    attempts_in,
    within,
)
from flowdiag.diagnoser.signals.failovers import failovers
from flowdiag.diagnoser.signals.interrupted import interrupted
from flowdiag.diagnoser.signals.quiet_times import QuietTime, quiet_times
from flowdiag.durations import MINUTE_MS

LEAST_ATTEMPTS: Final = 5
MANY_ATTEMPTS: Final = 10
LEAST_DESTINATIONS: Final = 3
# Either so many of the destinations answer at other times (then these are enough, if tried often), or many hosts tried often.
LEAST_ANSWERING: Final = 2
LEAST_HOSTS: Final = 3
# From this length on, or from half of the time asked about, it explains a complaint by itself.
VERDICT_MS: Final = 60_000
VERDICT_PART: Final = 0.5
# A silence without attempts is a doubt where the site's habit makes it so unlikely.
UNLIKELY: Final = 1e-4
# So near to a failover or a fail-back a silence is the switch itself.
SWITCH_MS: Final = 60_000


@once_per_case
def short_outages(case: Case) -> tuple[Outage, ...]:
    """Those that attempts or interrupted conversations prove, in time order."""
    longest = case.profile.thresholds.outage_minutes * MINUTE_MS
    quiet = [one for one in quiet_times(case) if one.length_ms < longest and not one.covered]
    quiet = [one for one in quiet if not _at_a_switch(case, one)]
    if not quiet:
        return ()
    spans = [(one.start_ms, one.end_ms) for one in quiet]
    attempts = attempts_in(case, spans, margin_ms=STEP_MS)
    answering = _answering(case, spans)
    found = []
    for one in quiet:
        tried = within(case, attempts, one.start_ms, one.end_ms)
        hosts = distinct(case.flows.inside[tried], len(case.flows.addresses))
        proof = _proof(case, one, tried, hosts, answering, spans)
        if proof:
            ongoing = (case.coverage.last_ms or one.end_ms) - one.end_ms < STEP_MS
            short = not _explains(case, one)
            found.append(Outage(one.start_ms, one.end_ms, len(tried), hosts, proof, ongoing, short))
    return tuple(found)


def _proof(
    case: Case,
    quiet: QuietTime,
    tried: NDArray[np.intp],
    hosts: int,
    answering: NDArray[np.bool_],
    spans: list[tuple[int, int]],
) -> str | None:
    """What proves an outage in a quiet time; tried: rows in vain within it, by so many hosts."""
    destinations = np.unique(case.flows.outside[tried])
    many, several = len(tried) >= MANY_ATTEMPTS, len(destinations) >= LEAST_DESTINATIONS
    known = int(answering[destinations].sum()) >= LEAST_ANSWERING and len(tried) >= LEAST_ATTEMPTS
    if (known and (many or several)) or (many and several and hosts >= LEAST_HOSTS):
        return "attempts"
    unlike = quiet.likely <= UNLIKELY
    return "interrupted" if unlike and interrupted(case, quiet.start_ms, quiet.end_ms, spans) else None


def unexplained_silences(case: Case) -> list[tuple[int, int]]:
    """[start, end) of silences that are unlike the site and that no short outage or failover explains."""
    known = [(outage.start_ms, outage.end_ms) for outage in short_outages(case)]
    return [
        (one.start_ms, one.end_ms)
        for one in quiet_times(case)
        if one.likely <= UNLIKELY and (one.start_ms, one.end_ms) not in known and not _at_a_switch(case, one)
    ]


def _explains(case: Case, quiet: QuietTime) -> bool:
    begin, stop = case.window_ms
    inside = min(quiet.end_ms, stop) - max(quiet.start_ms, begin)
    return quiet.length_ms >= VERDICT_MS or inside >= VERDICT_PART * (stop - begin)


def _at_a_switch(case: Case, quiet: QuietTime) -> bool:
    return any(
        quiet.start_ms < moment + SWITCH_MS and quiet.end_ms > moment - SWITCH_MS
        for failover in failovers(case).episodes
        for moment in (failover.start_ms, failover.end_ms)
    )


def _answering(case: Case, spans: list[tuple[int, int]]) -> NDArray[np.bool_]:
    """Per address, whether it sent anything outside of the spans."""
    flows = case.flows
    answering = np.zeros(len(flows.addresses), np.bool_)
    came = flows.direction == DOWN
    for start, end in spans:
        came &= (flows.end_ms < start) | (flows.start_ms > end)
    answering[flows.outside[came]] = True
    return answering
