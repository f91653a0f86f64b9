"""Failovers: when the site's ordinary traffic ran over a backup because the primary carried none.

Shared by on-backup, flapping and backup-leak; this module alleges nothing itself.

How a failover is told from a leak. On a grid of ten seconds each bin is one of: the primary is in use (it
has more than a twentieth of what was downloaded over primary and backup together, or more than a fifth of
the records that start), the backup alone is in use, or neither. A failover is a time in which the backup
is in use and the primary is not, from one use of the primary to the next. Four things must hold, or the
traffic is a leak:

- the primary's silence is no accident: where the primary is in use in a part q of the bins around, n bins
  without it happen by chance with (1-q)^n, which must be under one in ten thousand
  (n counts the bins of all such times together where the backup is not used at any other time);
- the primary talks to few destinations meanwhile, against those that the backup talks to;
- the same conversations did not run over the backup while the primary was in use;
- something left by the backup: where requests went out by the primary all along, only answers came back by the backup.

The edges come from the records themselves, so they have the resolution of their time stamps.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.conversation_keys import mixed
from flowdiag.aggregator.site_flows import DOWN, UP, SiteFlows
from flowdiag.aggregator.spread import part_inside
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.conversations import among, conversation_keys, distinct
from flowdiag.diagnoser.signals.link_states import backups, link_states, primaries
from flowdiag.diagnoser.signals.timeline import Grid, runs

STEP_MS: Final = 10_000
# Under this the backup carried nothing worth calling a failover: a single web page has more.
LEAST_OCTETS: Final = 10_000
# A bin is in use from 400 bit/s on: twice what a link check needs.
IN_USE_OCTETS: Final = 500
PRIMARY_SHARE: Final = 0.05
PRIMARY_STARTS: Final = 0.20
CHANCE: Final = 1e-4
# What the primary usually does is read from the hour on both sides.
AROUND_BINS: Final = 360
# A return to the primary that reaches under a fifth of the backup's rate is a trickle (a link check that got
# through), not a fail-back.
WEAK_RETURN: Final = 0.20
# Places the primary may still talk to during a failover (its own checks), as a part of those of the backup.
DESTINATIONS_SHARE: Final = 0.25
FEW_DESTINATIONS: Final = 2
MANY_DESTINATIONS: Final = 5
# Of the backup's octets: what may lie beside the failovers when it is said to be used in them only.
STRAY_SHARE: Final = 0.1
# Between failovers that follow each other this closely, what runs on the backup belongs to them.
SPELL_MS: Final = 1_800_000
# Conversations that begin this long after a fail-back still count as lingering; routes settle within
# seconds to a minute or two. Common practice, no source.
GRACE_MS: Final = 120_000
SETTLED_MS: Final = 30_000
# A failover is still on when the backup was used within this time of the export's end.
STILL_MS: Final = 300_000


class Failover(Struct, frozen=True):
    """One stay on a backup.

    end_ms: first ordinary record back on the primary; where there is none, the export's end (still) or the last
    ordinary record on the backup.
    """

    link: int  # index of the backup that carried most of it
    start_ms: int  # first ordinary record on the backup
    end_ms: int
    gap_ms: int | None  # since the last ordinary record on the primary; None: the export has none before
    octets_down: float
    octets_up: float
    began_before: bool  # on the backup from the start of the export on
    still: bool  # on the backup when the export ends

    @property
    def length_ms(self) -> int:
        return self.end_ms - self.start_ms


class Failovers(Struct, frozen=True, eq=False):
    """episodes in time order; leaked: bool per row of the flows, ordinary backup traffic that no failover explains."""

    episodes: tuple[Failover, ...]
    leaked: NDArray[np.bool_]


def rows_during(case: Case, failover: Failover) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """The ordinary rows on the backup in a failover, and the octets of each that fall in it."""
    flows = case.flows
    backup = np.flatnonzero(link_states(case).ordinary & (flows.link == failover.link))
    rows = touching(flows, backup, failover.start_ms, failover.end_ms)
    return rows, flows.octets[rows] * part_within(flows, rows, failover.start_ms, failover.end_ms)


class _Scene(Struct, frozen=True, eq=False):
    """Ordinary rows of backups and primaries, and what they did on the grid.

    recorded: from the first record of the export to the last; primary_first, primary_last: the bins in which each
    primary row starts and ends.
    """

    flows: SiteFlows
    grid: Grid
    backup: NDArray[np.intp]
    primary: NDArray[np.intp]
    backup_octets: NDArray[np.float64]
    primary_octets: NDArray[np.float64]
    primary_used: NDArray[np.bool_]
    alone: NDArray[np.bool_]
    recorded: NDArray[np.bool_]
    primary_first: NDArray[np.int64]
    primary_last: NDArray[np.int64]


@once_per_case
def failovers(case: Case) -> Failovers:
    """Every failover of the export, and the rows that leaked."""
    flows = case.flows
    leaked = np.zeros(len(flows), dtype=np.bool_)
    ordinary = link_states(case).ordinary
    backup = np.flatnonzero(ordinary & np.isin(flows.link, backups(case.profile)))
    if not primaries(case.profile) or not case.coverage.links_apart:
        return Failovers((), leaked)
    if float(flows.octets[backup].sum()) < LEAST_OCTETS:
        return Failovers((), leaked)
    scene = _scene(case, backup, ordinary)
    stays = _without_leaks(scene, _credible(scene, _stays(scene)))
    sent = np.flatnonzero(ordinary & (flows.direction == UP) & np.isin(flows.link, primaries(case.profile)))
    episodes = tuple(
        episode
        for episode in (_episode(case, scene, stay) for stay in stays)
        if episode.octets_up or not len(touching(flows, sent, episode.start_ms, episode.end_ms))
    )
    leaked[backup] = ~_explained(flows, backup, episodes)
    return Failovers(episodes, leaked)


def _scene(case: Case, backup: NDArray[np.intp], ordinary: NDArray[np.bool_]) -> _Scene:
    flows, usage = case.flows, case.usage
    on_primary = ordinary & np.isin(flows.link, primaries(case.profile))
    # What came back proves that a link works; uploads may go on into a dead one. Only a one-way export has
    # to do with uploads.
    answers = on_primary & (flows.direction == DOWN)
    primary = np.flatnonzero(answers if answers.any() else on_primary)
    grid = Grid(usage.start_ms, STEP_MS, usage.windows * usage.window_ms // STEP_MS)
    primary_octets = grid.spread(flows.start_ms[primary], flows.end_ms[primary], flows.octets[primary])
    answered = backup[flows.direction[backup] == DOWN]
    both_ways = len(answered) > 0 and bool(answers.any())
    seen = answered if both_ways else backup
    backup_octets = grid.spread(flows.start_ms[seen], flows.end_ms[seen], flows.octets[seen])
    primary_starts = grid.starting(flows.start_ms[primary])
    starts = primary_starts + grid.starting(flows.start_ms[seen])
    busy = primary_octets >= IN_USE_OCTETS
    used = busy & (
        (primary_octets > PRIMARY_SHARE * (primary_octets + backup_octets))
        | (primary_starts > PRIMARY_STARTS * starts)
    )
    alone = (backup_octets >= IN_USE_OCTETS) & ~used
    first, last = grid.bin_of(flows.start_ms[primary]), grid.bin_of(flows.end_ms[primary])
    recorded = np.zeros(grid.bins, dtype=np.bool_)
    begin, end = grid.bin_of(np.array([flows.start_ms.min(), flows.end_ms.max()]))
    recorded[begin : end + 1] = True
    return _Scene(
        flows, grid, backup, primary, backup_octets, primary_octets, used, alone, recorded, first, last
    )


def _stays(scene: _Scene) -> list[tuple[int, int]]:
    """[first, stop) bins of each stay on the backup: no bin between two uses of the primary is dropped."""
    label = np.where(scene.primary_used, -1, np.where(scene.alone, 1, 0))
    used = np.flatnonzero(label)
    if len(used) == 0:
        return []
    stays = [(int(used[first]), int(used[stop - 1]) + 1) for first, stop in runs(label[used] == 1)]
    joined: list[tuple[int, int]] = []
    for stay in stays:
        if joined and _weak(scene, joined[-1], stay):
            joined[-1] = (joined[-1][0], stay[1])
        else:
            joined.append(stay)
    return joined


def _weak(scene: _Scene, before: tuple[int, int], after: tuple[int, int]) -> bool:
    """Whether the primary's use between two stays is only a trickle beside what the backup carried."""
    between = scene.primary_octets[before[1] : after[0]]
    carried = [scene.backup_octets[first:stop].mean() for first, stop in (before, after)]
    return bool(between.mean() < WEAK_RETURN * min(carried))


def _credible(scene: _Scene, stays: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Stays in which the primary's silence is no accident and the backup really took over its part."""
    octets = np.concatenate([[0.0], np.cumsum(scene.backup_octets)])
    moved = [stay for stay in stays if octets[stay[1]] - octets[stay[0]] >= LEAST_OCTETS / 2]
    destinations = {stay: _destinations(scene, stay) for stay in moved}
    moved = [stay for stay in moved if _took_over(*destinations[stay])]
    # Where one failover follows another, the others must not count as times of usual silence on the primary.
    # Nor do those before and after the export, which are much of the grid where it is short.
    elsewhere = scene.recorded.copy()
    together = np.zeros(scene.grid.bins, dtype=np.bool_)
    for first, stop in moved:
        there, here = destinations[first, stop]
        if here == 0 and there >= MANY_DESTINATIONS:
            elsewhere[first:stop] = False
        together[max(first - 1, 0) : stop + SETTLED_MS // STEP_MS] = True
    # A backup that is used at no other time than in these stays proves them together.
    only_then = float(scene.backup_octets[~together].sum()) <= STRAY_SHARE * octets[-1]
    all_bins = sum(stop - first for first, stop in moved)
    return [
        stay
        for stay in moved
        if _by_chance(scene, stay, all_bins if only_then else stay[1] - stay[0], elsewhere) <= CHANCE
    ]


def _took_over(there: int, here: int) -> bool:
    """Whether the destinations that the primary still talks to are few beside those of the backup."""
    return here <= max(FEW_DESTINATIONS if there > FEW_DESTINATIONS else 0, DESTINATIONS_SHARE * there)


def _by_chance(scene: _Scene, stay: tuple[int, int], bins: int, elsewhere: NDArray[np.bool_]) -> float:
    """The probability that the primary happens to be unused in so many bins, given its use around a stay."""
    first, stop = stay
    near = np.zeros(scene.grid.bins, dtype=np.bool_)
    near[max(first - AROUND_BINS, 0) : stop + AROUND_BINS] = True
    near[first:stop] = False
    if not scene.primary_used.any():
        return 0.0
    for around in (near & elsewhere, elsewhere):
        usual = float(scene.primary_used[around].mean()) if around.any() else 0.0
        if usual > 0.0:
            return float((1.0 - usual) ** bins)
    return 1.0


def _destinations(scene: _Scene, stay: tuple[int, int]) -> tuple[int, int]:
    """How many outside addresses the backup and the primary talk to within a stay.

    Primary records that reach over an edge of the stay belong to the time before or after.
    """
    flows = scene.flows
    backup = touching(flows, scene.backup, scene.grid.time_of(stay[0]), scene.grid.time_of(stay[1]))
    primary = scene.primary[(scene.primary_first >= stay[0]) & (scene.primary_last < stay[1])]
    size = len(flows.addresses)
    return distinct(flows.outside[backup], size), distinct(flows.outside[primary], size)


def touching(flows: SiteFlows, rows: NDArray[np.intp], begin: int, end: int) -> NDArray[np.intp]:
    return rows[(flows.end_ms[rows] >= begin) & (flows.start_ms[rows] < end)]


def _without_leaks(scene: _Scene, stays: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Drop stays whose traffic ran over the backup in the same conversations while the primary was in use too."""
    if not stays:
        return []
    flows, backup = scene.flows, scene.backup
    bins = scene.grid.bin_of(flows.start_ms[backup])
    staying = np.zeros(scene.grid.bins + 1, dtype=np.bool_)
    settled = SETTLED_MS // STEP_MS
    for first, stop in stays:
        staying[max(first - 1, 0) : stop + settled] = True
    rest = np.flatnonzero(~staying[bins])
    lingering = among(conversation_keys(flows, backup[rest]), conversation_keys(flows, backup[staying[bins]]))
    leaking = np.unique(_pairs(flows, backup[rest[~lingering]]))
    kept = []
    for first, stop in stays:
        rows_of_stay = backup[(bins >= first) & (bins < stop)]
        octets = flows.octets[rows_of_stay]
        known = octets[among(_pairs(flows, rows_of_stay), leaking)].sum()
        if octets.sum() > 0 and known < 0.8 * octets.sum():
            kept.append((first, stop))
    return kept


def _pairs(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.uint64]:
    """One well mixed key per row for its two addresses."""
    return mixed(flows.inside[rows].astype(np.int64) << 32 | flows.outside[rows].astype(np.int64))


def _episode(case: Case, scene: _Scene, stay: tuple[int, int]) -> Failover:
    flows, grid = scene.flows, scene.grid
    first, stop = stay
    core, after = grid.time_of(first), grid.time_of(stop)
    backup = scene.backup
    last_primary = _last_primary(scene, first)
    begun = flows.start_ms[backup[flows.start_ms[backup] < after]]
    begun = begun[begun >= (core - 6 * STEP_MS if last_primary is None else last_primary - 1000)]
    begun = begun[begun >= core - 6 * STEP_MS]
    start = int(begun.min()) if len(begun) else core
    later = np.flatnonzero(scene.primary_used[stop:])
    last_backup = int(_touching_end(flows, backup, core, after))
    export_end = case.coverage.last_ms if case.coverage.last_ms is not None else grid.end_ms
    still = not len(later) and export_end - last_backup <= STILL_MS
    if len(later):
        reach = stop + int(later[0])
        back = flows.start_ms[
            scene.primary[(scene.primary_first >= stop - 1) & (scene.primary_first <= reach)]
        ]
        end = int(back.min()) if len(back) else grid.time_of(reach)
    else:
        end = export_end if still else last_backup
    end = max(end, start)
    rows = touching(flows, backup, start, end)
    part = flows.octets[rows] * part_within(flows, rows, start, end)
    down = flows.direction[rows] == DOWN
    by_link = np.bincount(flows.link[rows], part, len(case.profile.link))
    return Failover(
        link=int(by_link.argmax()),
        start_ms=start,
        end_ms=end,
        gap_ms=None if last_primary is None else max(start - last_primary, 0),
        octets_down=float(part[down].sum()),
        octets_up=float(part[flows.direction[rows] == UP].sum()),
        began_before=last_primary is None,
        still=still,
    )


def _last_primary(scene: _Scene, first: int) -> int | None:
    """When the primary last brought something before a stay that begins in bin `first`.

    A record that runs past that bin is a trickle, or was open across the failover.
    """
    ending = np.bincount(scene.primary_last[scene.primary_last <= first], minlength=1)
    if not ending.any():
        return None
    last = int(np.flatnonzero(ending)[-1])
    return int(scene.flows.end_ms[scene.primary[scene.primary_last == last]].max())


def _touching_end(flows: SiteFlows, rows: NDArray[np.intp], begin: int, end: int) -> int:
    around = touching(flows, rows, begin, end)
    return int(flows.end_ms[around].max()) if len(around) else end


def part_within(flows: SiteFlows, rows: NDArray[np.intp], begin: int, end: int) -> NDArray[np.float64]:
    """The part of each row's own time that lies in [begin, end), 0 to 1: octets are spread evenly over it."""
    return part_inside(flows.start_ms[rows], flows.end_ms[rows], begin, end)


def _explained(
    flows: SiteFlows, backup: NDArray[np.intp], episodes: tuple[Failover, ...]
) -> NDArray[np.bool_]:
    """Which of the backup's rows a failover explains: begun in it or shortly after, or going on from it."""
    if not episodes:
        return np.zeros(len(backup), dtype=np.bool_)
    begun = flows.start_ms[backup]
    during = np.zeros(len(backup), dtype=np.bool_)
    for index, episode in enumerate(episodes):
        end = episode.end_ms + GRACE_MS
        following = episodes[index + 1].start_ms if index + 1 < len(episodes) else None
        if following is not None and following - episode.end_ms <= SPELL_MS:
            end = following
        during |= (begun >= episode.start_ms - STEP_MS) & (begun < end)
    # What is left belongs to a failover if its conversation ran in one and goes on from there.
    rest = np.flatnonzero(~during & (begun >= episodes[0].start_ms))
    keys = conversation_keys(flows, backup[rest])
    during[rest] = among(keys, conversation_keys(flows, backup[during]))
    return during
