"""Levels of a link direction that lie under its plan, are flat, and have nothing higher around them.

Shared by below-plan, which asks what made them, and even_transfers.py; alleges nothing itself. Levels are judged by
minutes, however short the windows of usage are, and given in those windows.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.episodes import capacity_mbps, episodes
from flowdiag.diagnoser.signals.flat_top import BLURRED, STEADY, WAVERING, Bounds, Level, by_minutes, levels
from flowdiag.durations import MINUTE_MS

# Less of the plan than this is no level that anybody would feel as the line's.
LEAST_SHARE: Final = 0.03
# Higher traffic within so many minutes says that the level was no ceiling.
NEIGHBOURS: Final = 15
# Records as long as this blur a level.
COARSE_S: Final = 300
# A level as flat and long as this is no coincidence, whatever is around it.
VERY_FLAT: Final = 0.03
LONG: Final = 15
OPPOSITE_FULL_PART: Final = 0.5


def candidates(case: Case, link: int, direction: int) -> list[Level]:
    """Levels that are low, flat and alone at the top, outside of full episodes of either direction."""
    plan, limits = case.profile.link[link], case.profile.thresholds
    minute = windows_a_minute(case)
    rate = by_minutes(case.usage.mbps(link, direction), minute)
    capacity = capacity_mbps(case, link, direction)
    highest = (limits.below_plan_variable if plan.variable else limits.below_plan) * capacity
    bounds = _bounds(case, link)
    blur = -(-case.coverage.resolution_s * 1000 // (case.usage.window_ms * minute))
    flat = [
        level
        for level in levels(rate, bounds, LEAST_SHARE * capacity, highest)
        if level.flatness <= bounds.flatness
        and (_alone(rate, level, bounds.higher, blur) or is_unmistakable(level, level.stop - level.first))
    ]
    last = case.usage.windows
    found = [
        replace(level, first=level.first * minute, stop=min(level.stop * minute, last)) for level in flat
    ]
    return [level for level in found if not held_by_a_full_link(case, link, level)]


def windows_a_minute(case: Case) -> int:
    """Levels are judged by minutes, however short the windows of usage are."""
    return max(round(MINUTE_MS / case.usage.window_ms), 1)


def minutes_of(case: Case, level: Level) -> int:
    return -(-(level.stop - level.first) // windows_a_minute(case))


def _bounds(case: Case, link: int) -> Bounds:
    if case.coverage.resolution_s >= COARSE_S:
        return BLURRED
    return WAVERING if case.profile.link[link].variable else STEADY


def _alone(rate: NDArray[np.float64], level: Level, higher: float, blur: int) -> bool:
    """No two minutes in a row around a level that lie clearly above it; so many on both sides of an edge are blurred."""
    above = rate > higher * level.rate
    for edge in (level.first, level.stop):
        above[max(edge - blur, 0) : edge + blur] = False
    near = above[max(level.first - NEIGHBOURS, 0) : level.stop + NEIGHBOURS]
    return not bool((near[1:] & near[:-1]).any())


def held_by_a_full_link(case: Case, link: int, level: Level) -> bool:
    times = case.usage.times(level.first, level.stop)
    part = sum(episode.part_of(case, *times) for episode in episodes(case).full if episode.link == link)
    return part >= OPPOSITE_FULL_PART


def is_unmistakable(level: Level, minutes: int) -> bool:
    """As flat and as long as no coincidence is."""
    return level.flatness <= VERY_FLAT and minutes >= LONG
