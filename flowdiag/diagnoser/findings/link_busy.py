"""A link direction ran over the busy threshold, short of full, for a sustained time.

Means: there was still room on average, but not much: peaks within a minute may have filled the link for
seconds. It explains stutter rather than a standstill, and it is the time to plan, not yet to act.

Decided: as for link-full, at 70% of the plan rate. Minutes that belong to a full episode are told there;
the rise to it and the fall from it are not reported again, unless the busy stretch beside it lasts ten
minutes or more.

Thresholds: busy, 0.70 (common practice, no source). Three minutes in a row, as for every sustained finding.

Fooled by: a plan rate that is lower than the real one, and framing set wrongly, as for link-full. A
constant stream at its own rate is busy without anybody waiting.

Do: the helpdesk asks whether the trouble came at the busiest minutes; the engineer gives calls priority
before the link is full; the account manager watches the trend.

Limits: whether short bursts filled the link cannot be seen in records of a minute or more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.confidence import graded
from flowdiag.diagnoser.evidence import (
    ABSENT,
    Applications,
    Capacity,
    Destinations,
    Evidence,
    Hosts,
    Key,
    Mean,
    Peak,
    Spells,
)
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.findings.below_plan import held_down
from flowdiag.diagnoser.kind import Kind, Rank
from flowdiag.diagnoser.signals.at_limit import at_limit
from flowdiag.diagnoser.signals.episodes import Episode, capacity_mbps, episodes
from flowdiag.diagnoser.signals.losses import lost_between
from flowdiag.diagnoser.signals.saturation import (
    BusyMinutes,
    Confirms,
    EstimatedMean,
    FullMinutes,
    LostShare,
    MeanShare,
    TimesUsual,
    UsualDays,
    UsualDeviation,
    Usually,
    doubts,
    figures,
    way,
)
from flowdiag.durations import MINUTE_MS
from flowdiag.text.sentences import actions as actions
from flowdiag.text.sentences import load as wording

CODE: Final = "link-busy"


@dataclass(frozen=True, eq=False, kw_only=True)
class LinkBusy(Evidence):
    capacity_mbps: Capacity
    mean_mbps: Mean
    peak_mbps: Peak
    mean_share_of_plan: MeanShare
    full_minutes: FullMinutes
    busy_minutes: BusyMinutes
    confirms_mbps: Confirms = ABSENT
    lost_share: LostShare = ABSENT
    estimated_mean_mbps: EstimatedMean = ABSENT
    spells: Spells = ABSENT
    usual_mbps: Usually = ABSENT
    usual_mad_mbps: UsualDeviation = ABSENT
    usual_days: UsualDays = ABSENT
    times_usual: TimesUsual = ABSENT
    hosts: Hosts
    applications: Applications
    destinations: Destinations
    short_of_full: Annotated[
        bool, Key("whether the full threshold was certainly never reached", in_notes=False)
    ] = ABSENT


# "Not full" has to hold for so many standard errors more of the part lost than was counted (about 95 %).
CERTAIN_ERRORS: Final = 2.0


def find(case: Case) -> list[Finding]:
    return [_finding(case, episode) for episode in episodes(case).busy if not held_down(case, episode)]


def _short_of_full(case: Case, episode: Episode) -> bool:
    """Whether the line had room all the same: at its limit for no moment, and not with what was lost added."""
    link, direction = episode.link, episode.direction
    plan, full = case.profile.link[link], case.profile.thresholds.full
    highest = float(episode.rates(case).max()) / (
        1.0 - lost_between(case, *episode.times(case), CERTAIN_ERRORS)
    )
    touched = any(
        (limit.link, limit.direction) == (link, direction)
        and any(episode.overlaps(case, *spell) for spell in limit.spells)
        for limit in at_limit(case)
    )
    fine = case.coverage.resolution_s * 1000 <= MINUTE_MS and not plan.variable
    return fine and not touched and highest < full * capacity_mbps(case, link, direction)


def _finding(case: Case, episode: Episode) -> Finding:
    evidence, habit = figures(case, episode)
    level, said = graded(doubts(case, episode, case.profile.thresholds.busy))
    compared = wording.compared(habit, evidence["mean_mbps"])
    evidence["short_of_full"] = _short_of_full(case, episode)
    summary, client = wording.link_busy(
        case,
        episode.link,
        episode.direction,
        episode.span_times(case),
        evidence,
        compared,
        short_of_full=evidence["short_of_full"],
    )
    start, end = episode.times(case)
    return Finding(
        code=CODE,
        severity="warning",
        confidence=level,
        summary=summary,
        client=client,
        link=case.profile.link[episode.link].name,
        direction=way(episode.direction),
        start_ms=start,
        end_ms=end,
        evidence=LinkBusy(**evidence),
        actions=actions.LINK_BUSY,
        doubts=said,
    )


KIND: Final = Kind(
    code=CODE,
    page=2,
    find=find,
    evidence=LinkBusy,
    ranks=(Rank(90),),
    means="The line was working and had some room left, but not much.",
    next_step="Please tell us exactly when it was slow, so that we can compare it with the busy minutes.",
    next_step_in_audit="We watch whether the line gets busier, and tell you before it is full.",
)
