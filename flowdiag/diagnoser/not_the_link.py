"""The link had room all through the complaint; look at Wi-Fi, the device, the far end, the line's quality.

Means: nothing in the flow records explains the complaint. It does not say that all was well, only that the
lines were not full.

Decided: when no finding that explains a complaint touches its window, and the export covers at least half
of it. The room is told by the fullest minute of the fullest direction, rounded up to a whole per cent, so
that "never above" holds. Backups count when they carried more than a twentieth of their rate. Where a line
was at its limit for half a minute or more, yet not for the three minutes that make it a full link, no room is
claimed: how long is said instead, at the records' own resolution (see at_limit.py), and the confidence falls
to medium, or to low from a quarter of the time on. Where the time looked at holds no three minutes and the line
was at its limit for most of it, the verdict is cannot-tell.

Thresholds: none of its own; it is what is left when every other verdict has been ruled out.

Fooled by: bursts shorter than the records are long, which can fill a link for seconds; a plan rate in the
profile that is higher than the real one; transfers at equal rates that could be streams or could share a
line under its plan (see even_transfers.py); unusual rates of packets or attempts, which can exhaust a router or a
server (see unusual_rates.py); lost records. Each lowers the confidence and is said.

Do: the client tries a cable instead of Wi-Fi, and a second device; the helpdesk asks which service is slow
and tests it from elsewhere, and looks at the line's errors, loss and delay.

Limits: flow records show neither radio nor delay nor errors of the line.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from flowdiag.diagnoser import confidence as sure
from flowdiag.diagnoser import wording as words
from flowdiag.diagnoser import wording_verdict
from flowdiag.diagnoser.at_limit import MUCH, at_limit
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.confidence import MAJOR, MINOR, NOTED, Doubt, grade
from flowdiag.diagnoser.episodes import capacity_mbps, sampling_error
from flowdiag.diagnoser.even_transfers import even_transfers
from flowdiag.diagnoser.finding import Verdict
from flowdiag.diagnoser.silences import covered
from flowdiag.diagnoser.unusual_rates import unusual_rates

CODE: Final = "not-the-link"

WELL_COVERED: Final = 0.95
BACKUP_IN_USE: Final = 0.05
# Records so long may hide bursts that would explain a complaint.
COARSE_S: Final = 300
# With a fullest minute this close under the busy threshold, bursts inside minutes may have filled the link.
NEARLY_BUSY: Final = 0.9


@dataclass(frozen=True)
class Room:
    """The fullest minute of a link's fullest direction. share: of the plan; peak_ms: its beginning."""

    link: int
    direction: int
    share: float
    peak_mbps: float
    capacity_mbps: float
    peak_ms: int


def verdict(case: Case) -> Verdict:
    found = room(case)
    busiest = found[0] if found else None
    limits = case.profile.thresholds
    missing = 1.0 - covered(case)
    reached, even, unusual = at_limit(case), even_transfers(case), unusual_rates(case)
    doubts = [
        *(Doubt(wording_verdict.even_reason(case, level), MINOR) for level in even),
        *(
            Doubt(wording_verdict.at_limit_reason(case, limit), MAJOR if limit.share >= MUCH else MINOR)
            for limit in reached
        ),
        Doubt(wording_verdict.unusual_reason(case, unusual), MINOR) if unusual else None,
        Doubt(wording_verdict.too_little_reason(1.0 - missing), MINOR)
        if missing > 1.0 - WELL_COVERED
        else None,
        sure.of_loss(case, lowers=True),
        Doubt(wording_verdict.resolution(case.coverage.resolution_s, True), MINOR)
        if case.coverage.resolution_s >= COARSE_S
        else Doubt(words.NOT_IN_BURSTS, NOTED),
    ]
    if busiest is not None:
        near = not reached and busiest.share >= NEARLY_BUSY * limits.busy
        doubts.append(Doubt(wording_verdict.NEARLY_BUSY, MINOR) if near else None)
        error = sure.Z_95 * sampling_error(case, busiest.link, busiest.direction)
        if error > 0.0:
            margin = limits.full - busiest.share
            doubts.append(Doubt(words.sampling_error(error), MINOR if error > margin else NOTED))
    level, said = grade(doubts)
    return Verdict(
        code=CODE,
        sentence=wording_verdict.reached_its_limit(case, reached)
        if reached
        else wording_verdict.not_the_link(case, found),
        confidence=level,
        reasons=(*(wording_verdict.room_reason(case, place) for place in found), *said),
        next_steps=(*(wording_verdict.TEST_THE_RATE if even else ()), *wording_verdict.LOOK_ELSEWHERE),
        had_room=not reached,
    )


def room(case: Case) -> list[Room]:
    """One row per link that carried something in the window, the fullest first; none where nothing was
    carried.
    """
    usage, (begin, end) = case.usage, case.window_ms
    first = max((begin - usage.start_ms) // usage.window_ms, 0)
    past = max(-((usage.start_ms - end) // usage.window_ms), first)
    found = []
    for index, link in enumerate(case.profile.link):
        best: Room | None = None
        for direction in (0, 1):
            rate = usage.mbps(index, direction)[first:past]
            if len(rate) == 0 or rate.max() <= 0.0:
                continue
            peak, capacity = int(np.argmax(rate)), capacity_mbps(case, index, direction)
            share = float(rate[peak]) / capacity
            if best is None or share > best.share:
                when = usage.start_ms + (first + peak) * usage.window_ms
                best = Room(index, direction, share, float(rate[peak]), capacity, when)
        if best is not None and (link.role == "primary" or best.share >= BACKUP_IN_USE):
            found.append(best)
    return sorted(found, key=lambda place: (-place.share, place.link))
