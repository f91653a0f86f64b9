"""Figures of a full or busy episode: rates, minutes, who and what; shared by link-full and link-busy."""

from __future__ import annotations

from typing import Any

import numpy as np

from flowdiag.aggregator.site_flows import DIRECTION_NAMES
from flowdiag.diagnoser import confidence as sure
from flowdiag.diagnoser.attribution import attribution
from flowdiag.diagnoser.baseline import Usual, usual
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.confidence import Doubt
from flowdiag.diagnoser.episodes import Episode, capacity_mbps
from flowdiag.diagnoser.wording_times import moment


def figures(case: Case, episode: Episode) -> tuple[dict[str, Any], Usual | None]:
    """The evidence of an episode, rates in Mbit/s with framing; and what is usual at its hour, if known."""
    link, direction = episode.link, episode.direction
    capacity = capacity_mbps(case, link, direction)
    rates = case.usage.mbps(link, direction)[episode.windows()]
    limits = case.profile.thresholds
    minutes = case.usage.window_ms / 60_000
    mean = float(rates.mean())
    evidence: dict[str, Any] = {
        "capacity_mbps": capacity,
        "mean_mbps": round(mean, 3),
        "peak_mbps": round(float(rates.max()), 3),
        "mean_share_of_plan": round(mean / capacity, 4),
        "full_minutes": round(np.count_nonzero(rates >= limits.full * capacity) * minutes),
        "busy_minutes": round(np.count_nonzero(rates >= limits.busy * capacity) * minutes),
    }
    if len(episode.spans) > 1:
        evidence["spells"] = [
            {"from": moment(case, start), "to": moment(case, end)} for start, end in episode.span_times(case)
        ]
    habit = usual(case, link, direction, *episode.times(case))
    if habit is not None:
        times = habit.times(mean)
        evidence["usual_mbps"] = round(habit.median_mbps, 3)
        evidence["usual_mad_mbps"] = round(habit.mad_mbps, 3)
        evidence["usual_days"] = habit.days
        evidence["times_usual"] = None if times is None else round(times, 1)
    evidence.update(attribution(case, link, direction, episode.span_times(case)))
    return evidence, habit


def doubts(case: Case, episode: Episode, threshold: float) -> list[Doubt | None]:
    """What bears on how sure an episode over a threshold is."""
    usage, windows = case.usage, episode.windows()
    link, direction = episode.link, episode.direction
    share = float(usage.mbps(link, direction)[windows].mean()) / capacity_mbps(case, link, direction)
    packets = float(usage.packets[link, direction][windows].sum())
    start, end = episode.times(case)
    return [
        sure.of_plan(case, link, direction, share),
        sure.of_margin(share, threshold),
        sure.of_sampling(case, packets, share, threshold),
        sure.of_resolution(case, end - start),
        sure.of_silence(case, episode.first, episode.past),
        sure.of_loss(case, lowers=False),
        sure.of_end(case, end),
    ]


def way(direction: int) -> Any:
    """ "down" or "up", as findings carry it."""
    return DIRECTION_NAMES[direction]
