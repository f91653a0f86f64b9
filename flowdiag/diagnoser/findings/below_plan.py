"""Traffic stops at a level clearly under the plan rate while demand is there: a flat top.

Means: the line gives less than was bought. It may have trained down, a port may run at the wrong speed, a
shaper may cut it, or the plan rate in the profile is wrong. For the people at the site it is a full link,
only lower.

Decided: where a link direction stays at the top of its surroundings for eight minutes or more, five things
must hold. The level lies between 3% of the plan and the below_plan threshold. It is flat: the robust
deviation of its minutes (the span of their middle eight tenths over 2.563) is at most 5% of it, 15% on a
variable link, 20% where records are five minutes long or more. The traffic yields: the variance of the
total is at most a quarter of the sum of the variances of its parts, taken over inside hosts and again over
outside addresses; parts that do not share a ceiling add up their variances, parts that share one give and
take. No few parts carry that: three hosts and three outside addresses at least, or two where a level is very
flat, held for long, and what one gets the other lacks. And conversations change their rates from record to
record, by 3% on average; streams that come and go keep theirs. Minutes around it may not lie higher by more
than a tenth, unless the level is very flat and held for long. Where most conversations are one record, their
rates cannot be followed; then the level has to be very flat and long, and the transfers' rates have to differ
by a quarter. Else, and where records cover five minutes or more and minutes say little, the transfers' own times and
octets have to show the ceiling: eight or more transfers of three hosts or more that each got an equal part of
it, whatever the number that ran at a time (see fair_shares.py). On a variable link the ceiling itself wanders, and
no level shows: there three transfers or more, of three hosts and three outside addresses, that rise and fall
together for eight minutes show it, if at least half of what their rates move is common to all: what the others get
on average foretells what each gets (see moving_ceiling.py).

Thresholds: below_plan, 0.85 of the plan; below_plan_variable, 0.60 of a typical rate. The variance ratio,
the flatness and the common part: measured on invented sites, no source.

Fooled by: what one slow server, one slow device or streams at their own rate do is told apart by the ratio.
A full opposite direction holds traffic down too, so nothing is said then; nor of acknowledgements, which
follow the download: four fifths of the octets must be in packets of 400 octets or more. A limit that
somebody set on purpose looks like a fault.

Do: the helpdesk compares the plan rate with the contract and tests the line; the field engineer checks
port, cabling and trained rate; the engineer looks for shapers and opens a fault with the carrier.

Limits: where only one device uses the line, its own limit and the line's cannot be told apart, and nothing
is alleged; nor of a level held for less than eight minutes. not-the-link then says so as a doubt (see
held_levels.py). Nor can streams of one kind be told from transfers that share a line, where all run side by side at
equal, steady rates from the level's begin to its end; not-the-link then says so as a doubt. Records much
longer than a minute blur the level.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from flowdiag.diagnoser import confidence
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.confidence import MINOR, Doubt, graded
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
from flowdiag.diagnoser.kind import Kind, Rank
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.attribution import attribution, rows_within
from flowdiag.diagnoser.signals.episodes import Episode, capacity_mbps
from flowdiag.diagnoser.signals.fair_shares import FairShares, fair_shares
from flowdiag.diagnoser.signals.flat_top import (
    LEAST_SPREAD,
    RATIO,
    RATIO_A_WINDOW,
    SHORTEST,
    Level,
    Yielding,
    by_minutes,
    in_data_packets,
    pace,
    yielding,
)
from flowdiag.diagnoser.signals.low_levels import (
    COARSE_S,
    LONG,
    VERY_FLAT,
    candidates,
    held_by_a_full_link,
    is_unmistakable,
    minutes_of,
    windows_a_minute,
)
from flowdiag.diagnoser.signals.moving_ceiling import Together
from flowdiag.diagnoser.signals.saturation import way
from flowdiag.diagnoser.signals.timeline import Grid
from flowdiag.diagnoser.signals.wandering import Wandering, wandering
from flowdiag.durations import MINUTE_MS
from flowdiag.text.sentences import actions as actions
from flowdiag.text.sentences import load as wording
from flowdiag.text.sentences.below_plan import below_plan

CODE: Final = "below-plan"


@dataclass(frozen=True, eq=False)
class BelowPlan(Evidence):
    capacity_mbps: Capacity
    ceiling_mbps: Annotated[float, Key("the level that the rate did not pass", "ceiling")]
    share_of_plan: Annotated[float, Key("that level over the plan's rate", "share of the plan")]
    mean_mbps: Mean
    peak_mbps: Peak
    minutes_at_ceiling: Annotated[int, Key("minutes at that level", "at the ceiling")]
    flatness: Annotated[float, Key("spread of the windows' rates over their middle", in_notes=False)]
    variance_ratio_hosts: Annotated[
        float,
        Key(
            "variance of the sum over the hosts' own variances: far under 1 where they share one ceiling",
            in_notes=False,
        ),
    ]
    variance_ratio_destinations: Annotated[float, Key("the same over destinations", in_notes=False)]
    unevenness: Annotated[
        float | None,
        Key("how far competing transfers are from equal parts; null where too few compete", "unevenness"),
    ]
    moved_together: Annotated[
        float | None,
        Key(
            "how much of the transfers' ups and downs is common to all, 0 to 1; null where the ceiling stood still",
            in_notes=False,
        ),
    ]
    hosts_active: Annotated[int, Key("devices with traffic at a time", "active devices")]
    hosts: Hosts
    applications: Applications
    destinations: Destinations
    spells: Spells = ABSENT


# With parts that hardly vary the ratio means little, and it must be the smaller.
LITTLE_SPREAD: Final = 0.02
LITTLE_RATIO: Final = 0.12
LEAST_PARTS: Final = 3.0
# Two that give and take all along, where what one gets the other lacks to a twentieth, are enough.
OPPOSED_RATIO: Final = 0.05
OPPOSED_PARTS: Final = 1.9
LEAST_ACTIVE: Final = 1.5
# Under a ceiling conversations change their rates when others come and go; streams keep their own to a hundredth.
LEAST_PACE: Final = 0.03
# Transfers of one record each have one rate each: streams of a kind have the same, those under a ceiling what was left.
LEAST_SHORT_PACE: Final = 0.25
DATA_PART: Final = 0.8
# Levels this close together (in minutes), at nearly one rate, are one finding.
TOGETHER: Final = 15
SAME_RATE: Final = 0.08

# For long records: how evenly transfers divided the ceiling, and how much their plain rates must differ
# from that.
UNEVEN: Final = 0.30
UNEVEN_OF_PACE: Final = 0.5
LEAST_CROWDING: Final = 0.25
LEAST_TRANSFERS: Final = 8
LARGEST_PART: Final = 0.5
# So many records of a transfer have to be compared before a wandering ceiling is alleged; with three, chance moves
# independent transfers alike too often.
LEAST_RECORDS: Final = 5


class Proof(Struct, frozen=True):
    """What shows that traffic was held down. shares: only where records are too long for the variances to
    tell; moving: where the ceiling wanders, so that nothing stands at a level.
    """

    inside: Yielding
    outside: Yielding
    shares: FairShares | None = None
    moving: Together | None = None

    @property
    def active(self) -> float:
        if self.moving is not None:
            return self.moving.hosts
        return self.shares.hosts if self.shares else self.inside.active


def find(case: Case) -> list[Finding]:
    return [_finding(case, ceiling) for ceiling in ceilings(case)]


class Ceiling(Struct, frozen=True):
    """Levels of one link direction that belong together, each with what proves it."""

    link: int
    direction: int
    levels: tuple[tuple[Level, Proof], ...]

    @property
    def rate_mbps(self) -> float:
        return float(np.median([level.rate for level, _ in self.levels]))


@once_per_case
def ceilings(case: Case) -> tuple[Ceiling, ...]:
    """Every ceiling under the plan that held traffic down, in order of link, direction, time."""
    if not case.coverage.links_apart:
        return ()
    found = []
    for link in range(len(case.profile.link)):
        for direction in (0, 1):
            proven: list[tuple[Level, Proof]] = []
            for level in candidates(case, link, direction):
                proof = _proof(case, link, direction, level)
                if proof is not None:
                    proven.append((level, proof))
            proven = _with_moving(case, link, direction, proven)
            found += [Ceiling(link, direction, tuple(group)) for group in _grouped(case, proven)]
    return tuple(found)


def _with_moving(
    case: Case, link: int, direction: int, proven: list[tuple[Level, Proof]]
) -> list[tuple[Level, Proof]]:
    """The flat levels, and between them the times at which transfers shared a ceiling that wanders."""
    added = []
    for time in wandering(case):
        if (time.link, time.direction) != (link, direction) or not lasts(case, time):
            continue
        level = _level_of(case, time)
        apart = not any(level.first < other.stop and level.stop > other.first for other, _ in proven)
        if apart and not held_by_a_full_link(case, link, level):
            added.append((level, Proof(*_yielding(case, link, direction, level), moving=time.proof)))
    return sorted([*proven, *added], key=lambda pair: pair[0].first)


def lasts(case: Case, time: Wandering) -> bool:
    """Whether a wandering ceiling was there for long, and over several devices and destinations."""
    least_ms = max(SHORTEST * MINUTE_MS, LEAST_RECORDS * case.coverage.resolution_s * 1000)
    return (
        time.end_ms - time.start_ms >= least_ms
        and min(time.proof.hosts, time.proof.destinations) >= LEAST_PARTS
    )


def _level_of(case: Case, time: Wandering) -> Level:
    usage = case.usage
    first = max(round((time.start_ms - usage.start_ms) / usage.window_ms), 0)
    stop = min(round((time.end_ms - usage.start_ms) / usage.window_ms), usage.windows)
    rate = by_minutes(usage.mbps(time.link, time.direction)[first:stop], windows_a_minute(case))
    return Level(first, stop, float(np.median(rate)), float(np.std(rate) / np.mean(rate)))


def held_down(case: Case, episode: Episode) -> bool:
    """Whether an episode lies within a ceiling that is under the busy threshold: then only blur made it busy."""
    busy = case.profile.thresholds.busy * capacity_mbps(case, episode.link, episode.direction)
    usage = case.usage
    return any(
        (ceiling.link, ceiling.direction) == (episode.link, episode.direction)
        and ceiling.rate_mbps < busy
        and any(episode.overlaps(case, *usage.times(level.first, level.stop)) for level, _ in ceiling.levels)
        for ceiling in ceilings(case)
    )


def _proof(case: Case, link: int, direction: int, level: Level) -> Proof | None:
    """What shows that the traffic was held down; None where it was not, or where that cannot be told."""
    flows, minutes = case.flows, minutes_of(case, level)
    grid = _inner(case, level)
    rows, octets = rows_within(case, link, direction, [(grid.start_ms, grid.end_ms)])
    data = in_data_packets(flows, rows)
    if octets[data].sum() < DATA_PART * octets.sum():
        return None
    proof = Proof(*_yielding(case, link, direction, level))
    coarse = case.coverage.resolution_s >= COARSE_S
    yields = _yields(proof, level, minutes)
    if not yields and not coarse:
        return None
    change = pace(flows, rows) if yields else None
    if change is not None:
        return proof if change >= LEAST_PACE else None
    shares = fair_shares(flows, rows[data])
    if shares is None:
        return None
    if not coarse and is_unmistakable(level, minutes) and shares.own_pace >= LEAST_SHORT_PACE:
        return proof
    return replace(proof, shares=shares) if _is_shared(shares) else None


def _inner(case: Case, level: Level) -> Grid:
    """The minutes of a level but the first and the last, which are only partly at it."""
    minute_ms = case.usage.window_ms * windows_a_minute(case)
    begin = case.usage.start_ms + level.first * case.usage.window_ms
    return Grid(begin + minute_ms, minute_ms, minutes_of(case, level) - 2)


def _yielding(case: Case, link: int, direction: int, level: Level) -> tuple[Yielding, Yielding]:
    """How much inside hosts, and how much outside addresses, gave way to each other."""
    flows, grid = case.flows, _inner(case, level)
    rows, _ = rows_within(case, link, direction, [(grid.start_ms, grid.end_ms)])
    return yielding(flows, rows, flows.inside[rows], grid), yielding(flows, rows, flows.outside[rows], grid)


def _yields(proof: Proof, level: Level, minutes: int) -> bool:
    both = (proof.inside, proof.outside)
    ratio, spread = max(p.ratio for p in both), min(p.spread for p in both)
    largest = RATIO if spread >= LEAST_SPREAD else LITTLE_RATIO
    opposed = ratio <= OPPOSED_RATIO and spread >= LEAST_SPREAD and is_unmistakable(level, minutes)
    return (
        ratio <= min(largest, RATIO_A_WINDOW * (minutes - 2))
        and spread >= LITTLE_SPREAD
        and min(p.parts for p in both) >= (OPPOSED_PARTS if opposed else LEAST_PARTS)
        and max(p.active for p in both) >= LEAST_ACTIVE
    )


def _is_shared(shares: FairShares) -> bool:
    return (
        shares.uneven <= min(UNEVEN, UNEVEN_OF_PACE * shares.own_pace)
        and shares.crowding >= LEAST_CROWDING
        and shares.transfers >= LEAST_TRANSFERS
        and min(shares.hosts, shares.destinations) >= LEAST_PARTS
        and shares.largest <= LARGEST_PART
    )


def _grouped(case: Case, proven: list[tuple[Level, Proof]]) -> list[list[tuple[Level, Proof]]]:
    groups: list[list[tuple[Level, Proof]]] = []
    for level, proof in proven:
        last = groups[-1][-1][0] if groups else None
        near = last is not None and level.first - last.stop <= TOGETHER * windows_a_minute(case)
        if last is not None and near and abs(level.rate - last.rate) <= SAME_RATE * last.rate:
            groups[-1].append((level, proof))
        else:
            groups.append([(level, proof)])
    return groups


def _finding(case: Case, ceiling: Ceiling) -> Finding:
    link, direction, group = ceiling.link, ceiling.direction, ceiling.levels
    plan, capacity = case.profile.link[link], capacity_mbps(case, link, direction)
    episode = Episode(link, direction, tuple((level.first, level.stop) for level, _ in group))
    spans = episode.span_times(case)
    rates = case.usage.mbps(link, direction)[episode.windows()]
    rate = float(np.median(rates))
    minutes = round(len(rates) * case.usage.window_ms / MINUTE_MS)
    flatness = max(level.flatness for level, _ in group)
    shares = next((proof.shares for _, proof in group if proof.shares), None)
    moving = next((proof.moving for _, proof in group if proof.moving), None)
    evidence = BelowPlan(
        capacity_mbps=capacity,
        ceiling_mbps=round(rate, 3),
        share_of_plan=round(rate / capacity, 4),
        mean_mbps=round(float(rates.mean()), 3),
        peak_mbps=round(float(rates.max()), 3),
        minutes_at_ceiling=minutes,
        flatness=round(flatness, 4),
        variance_ratio_hosts=round(max(proof.inside.ratio for _, proof in group), 4),
        variance_ratio_destinations=round(max(proof.outside.ratio for _, proof in group), 4),
        unevenness=round(shares.uneven, 4) if shares else None,
        moved_together=round(moving.common, 4) if moving else None,
        hosts_active=max(round(max(proof.active for _, proof in group)), 2),
        **attribution(case, link, direction, spans),
        spells=iso_spans(case, spans) if len(spans) > 1 else ABSENT,
    )
    start, end = episode.times(case)
    level, doubts = graded(
        (
            Doubt(wording.FEW_WINDOWS, MINOR) if minutes < LONG else None,
            Doubt(wording.ROUGH_LEVEL, MINOR) if flatness > VERY_FLAT and moving is None else None,
            Doubt(wording.TYPICAL_RATE, MINOR) if plan.variable else None,
            confidence.of_resolution(case, end - start),
            confidence.of_loss(case, lowers=True),
            confidence.of_silence(case, slice(episode.first, episode.stop)),
        )
    )
    summary, client = below_plan(case, link, direction, spans, evidence)
    return Finding(
        code=CODE,
        severity="critical",
        confidence=level,
        summary=summary,
        client=client,
        link=plan.name,
        direction=way(direction),
        start_ms=start,
        end_ms=end,
        evidence=evidence,
        actions=actions.BELOW_TYPICAL if plan.variable else actions.BELOW_PLAN,
        doubts=doubts,
    )


KIND: Final = Kind(
    code=CODE,
    page=3,
    find=find,
    evidence=BelowPlan,
    ranks=(Rank(70),),
    means="Something holds the line back: a fault, a setting, or our records have a wrong rate.",
    means_variable=(
        "What this kind of line can do changes over time; at this rate there was little to share."
    ),
    next_step="We compare the rate with your contract and test the line.",
    next_step_variable="We test the line at another time of day and report it if it stays slow.",
)
