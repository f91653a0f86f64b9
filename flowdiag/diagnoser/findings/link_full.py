"""A link direction ran at or over the full threshold for a sustained time; it is said who and what filled it.

Means: there was no room left. Everything that shares the link in that direction waits. Upload fills first
on most plans, and a full upload slows downloads too, because their acknowledgements wait behind it; calls
break up.

Decided: records are spread evenly over their own time into windows of a minute, the link's framing added to
every packet. Where the time asked about or the export is shorter than half an hour, the windows are as short as the
export resolves, down to five seconds; of a window that is covered only in part, the covered seconds count. A window
is full at 90% of the plan rate. Three full minutes in a row make an episode; single
minutes under the threshold between full ones do not end it. Where such dips keep breaking the row, six
full minutes that are two thirds of the time do as well; of shorter windows, three minutes in all that are two thirds of
the time, dips of a minute at most bridged. Where the windows are of 20 seconds or less, one minute is enough that is at
least half of the time asked about. The edges are those of the records to five seconds. A shorter spell, of two windows of
the resolution or of half a minute at least, is a finding of its own kind (`short`): told as an info, never the verdict;
where minutes are counted it counts with its own seconds.
Where there are more than six episodes, those at
most fifteen minutes apart are one finding with its spells, never over an edge of the time asked about. The
shares of hosts, applications and destinations are parts of the episode's own IP octets. Where records were lost, the
rate is estimated as what was measured over one minus the part lost around that time; dips that a loss or a restart of the
exporter made, if they are no deeper than what was lost, are bridged and said; where only the estimate is over the threshold,
both figures are said and the confidence is
medium at most. Where the export
holds earlier days, the same clock times of the same weekdays (median, and median absolute deviation) say what
is usual.

Packets are metered before the link's queue, upload always, download unless the exporter
says (element 61) that it was metered where it came in. What the queue then drops is in the records all the same. So
above 105% of the plan two readings are named: more was offered than the full link carried, or the plan rate
on record is too low. The router's drop and octet counters tell them apart, and so does a test of the rate in a
quiet time; without either, a TCP upload's acknowledgements in the download count what arrived. The
confidence is medium, above 115% low, and what the client reads is true of both.

Packets of a hundred octets or less on average, beside five times as much the other way, are the acknowledgements of that:
it is told that they filled the link, as those of a fast download fill the small upload of an asymmetric plan.

Where the router translates addresses and no copy from its inside was exported, its own address stands for all
hosts behind it; that is said, and nothing is put down to one device.

Thresholds: full, 0.90: the last tenth goes to shaping, framing and bursts inside the minute (common
practice, no source). Three minutes: shorter peaks are part of every healthy day (common practice, no
source).

Fooled by: a plan rate in the profile that is lower than the real one; a download that was metered behind the
queue at more than 105% of the plan is said to be that, with medium confidence, above 115% with low, and then the
client is not told that the line was full. Sampling, which
makes single minutes noisy: such rates are averaged first. Framing set wrongly shifts rates by up to a tenth
with large packets, and doubles them with small ones.

Do: the client pauses or postpones what fills the link; the engineer limits bulk transfers a little under
the line's rate and gives calls priority; the account manager looks at the plan if it happens on many days.

Limits: bursts shorter than the records are long cannot be seen. Records still open at the end of the export
are missing, so an episode may have gone on longer. Lost records only lower the rate: a link that reads full
was full.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Final

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.confidence import MINOR, OVER_PLAN, Doubt, graded, may_be_offered, of_resolution
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
    iso_spans,
)
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.kind import Kind, Rank, sustained
from flowdiag.diagnoser.signals.at_limit import AtLimit, at_limit
from flowdiag.diagnoser.signals.attribution import attribution
from flowdiag.diagnoser.signals.episodes import MOST_EPISODES, Episode, capacity_mbps, episodes
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
from flowdiag.text.action import Action
from flowdiag.text.sentences import actions as actions
from flowdiag.text.sentences import load as wording

CODE: Final = "link-full"


@dataclass(frozen=True, eq=False, kw_only=True)
class LinkFull(Evidence):
    short: Annotated[bool, Key("it was over within minutes: told, and never the verdict", "short")] = ABSENT
    capacity_mbps: Capacity
    mean_mbps: Mean
    peak_mbps: Peak
    peak_window_s: Annotated[int, Key("of a short one: seconds of that window", "its length")] = ABSENT
    mean_share_of_plan: MeanShare = ABSENT
    full_minutes: FullMinutes = ABSENT
    busy_minutes: BusyMinutes = ABSENT
    full_seconds: Annotated[int, Key("of a short one: seconds at the limit", "full seconds")] = ABSENT
    longest_seconds: Annotated[int, Key("the longest spell of these", "longest seconds")] = ABSENT
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
    over_plan: Annotated[bool, Key("the rate is more than the plan's", "more than the plan can be")] = ABSENT
    maybe_offered: Annotated[
        bool,
        Key(
            "metered before the queue: may be what was offered, of which the rest was dropped",
            "metered before the link's queue",
        ),
    ] = ABSENT


# Short spells listed one by one in the evidence.
MOST_SPELLS: Final = 8


def find(case: Case) -> list[Finding]:
    sustained = [_finding(case, episode) for episode in episodes(case).full]
    return sustained + [short for limit in at_limit(case) for short in _short_ones(case, limit)]


def _short_ones(case: Case, limit: AtLimit) -> list[Finding]:
    """Each spell by itself, or all as one where they are too many to read."""
    if len(limit.spells) > MOST_EPISODES:
        return [_short(case, limit, limit.spells)]
    return [_short(case, limit, (spell,)) for spell in limit.spells]


def _short(case: Case, limit: AtLimit, spells: tuple[tuple[int, int], ...]) -> Finding:
    """What reached the limit for too short a time to be sustained: told, and never the verdict."""
    plan = case.profile.link[limit.link]
    mean, peak = limit.rates(spells)
    lengths = [end - start for start, end in spells]
    evidence: dict[str, Any] = {
        "short": True,
        "capacity_mbps": capacity_mbps(case, limit.link, limit.direction),
        "mean_mbps": round(mean, 3),
        "peak_mbps": round(peak, 3),
        "peak_window_s": limit.step_ms // 1000,
        "full_seconds": round(sum(lengths) / 1000),
        "longest_seconds": round(max(lengths) / 1000),
    }
    if len(spells) > 1:
        evidence["spells"] = iso_spans(case, spells[:MOST_SPELLS])
    evidence.update(attribution(case, limit.link, limit.direction, spells))
    level, said = graded(
        (
            Doubt(wording.TYPICAL_RATE, MINOR) if plan.variable else None,
            of_resolution(case, max(lengths)),
        )
    )
    summary, client = wording.short_full(case, limit, spells, evidence)
    return Finding(
        code=CODE,
        severity="info",
        confidence=level,
        summary=summary,
        client=client,
        link=plan.name,
        direction=way(limit.direction),
        start_ms=spells[0][0],
        end_ms=spells[-1][1],
        evidence=LinkFull(**evidence),
        actions=actions.SHORT_FULL,
        doubts=said,
    )


def _finding(case: Case, episode: Episode) -> Finding:
    plan = case.profile.link[episode.link]
    evidence, habit = figures(case, episode)
    level, said = graded(doubts(case, episode, case.profile.thresholds.full))
    compared = wording.compared(habit, evidence["mean_mbps"])
    offered = may_be_offered(case, episode.link, episode.direction, evidence["mean_share_of_plan"])
    over = offered or evidence["mean_share_of_plan"] > OVER_PLAN
    if over and not plan.variable:
        evidence["over_plan"] = True
    if offered:
        evidence["maybe_offered"] = True
    summary, client = wording.link_full(
        case,
        episode.link,
        episode.direction,
        episode.span_times(case),
        evidence,
        compared,
        over=over,
        offered=offered,
    )
    start, end = episode.times(case)
    return Finding(
        code=CODE,
        severity="critical",
        confidence=level,
        summary=summary,
        client=client,
        link=plan.name,
        direction=way(episode.direction),
        start_ms=start,
        end_ms=end,
        evidence=LinkFull(**evidence),
        actions=_actions(plan.role, evidence),
        doubts=said,
    )


def _actions(role: str, evidence: Mapping[str, Any]) -> tuple[Action, ...]:
    if "maybe_offered" in evidence:
        return actions.OFFERED
    return actions.OVER_PLAN if "over_plan" in evidence else wording.link_full_actions(role, evidence)


KIND: Final = Kind(
    code=CODE,
    page=1,
    find=find,
    evidence=LinkFull,
    ranks=(Rank(60, sustained),),
    means="The line was working. It had no room left, so whatever else used it had to wait.",
    next_step="We find out with you which transfers can wait, and whether others can be given priority.",
)
