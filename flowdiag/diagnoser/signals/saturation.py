"""Figures of a full or busy episode: rates, minutes, who and what; shared by link-full and link-busy."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.full_time import busy_ms
from flowdiag.aggregator.site_flows import DIRECTION_NAMES
from flowdiag.diagnoser import confidence
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.confidence import MINOR, NOTED, Doubt
from flowdiag.diagnoser.evidence import Key, iso_spans
from flowdiag.diagnoser.signals.attribution import attribution
from flowdiag.diagnoser.signals.baseline import Usual, usual
from flowdiag.diagnoser.signals.episodes import Episode, capacity_mbps
from flowdiag.diagnoser.signals.full_times import full_within, minutes_of
from flowdiag.diagnoser.signals.losses import hidden, lost_share
from flowdiag.text.sentences import load as wording

# Of the middle rate: so deep a dip, in a time of which records were lost, is what was lost.
DIP: Final = 0.5
# An acknowledgement has 40 octets, with time stamps 52, over IPv6 72 (RFC 9293, RFC 7323), and answers two segments, which
# are forty times as much (RFC 1122 4.2.3.2): smaller packets beside five times as much the other way are hardly data.
ACKNOWLEDGING_OCTETS: Final = 100.0
CONFIRMED_TIMES: Final = 5.0

# The figures of figures(), for the evidence of the findings that carry them.
MeanShare = Annotated[float, Key("mean rate over the plan's", "mean share of the plan")]
FullMinutes = Annotated[float, Key("minutes at the full threshold or over it", "full")]
BusyMinutes = Annotated[float, Key("minutes at the busy threshold or over it", "busy")]
Confirms = Annotated[
    float, Key("rate of the other direction, whose acknowledgements these packets are", "acknowledges")
]
LostShare = Annotated[float, Key("part of the records that was lost at that time", "lost")]
EstimatedMean = Annotated[float, Key("mean rate with what was lost", "estimated mean")]
Usually = Annotated[
    float, Key("median rate of the same clock time on earlier days of the export", "usual at this time")
]
UsualDeviation = Annotated[float, Key("median absolute deviation of that", in_notes=False)]
UsualDays = Annotated[int, Key("how many days that were", "days compared with")]
TimesUsual = Annotated[
    float | None, Key("mean rate over the usual one; null where that is none", "times the usual")
]


def figures(case: Case, episode: Episode) -> tuple[dict[str, Any], Usual | None]:
    """The evidence of an episode, rates in Mbit/s with framing; and what is usual at its hour, if known."""
    link, direction = episode.link, episode.direction
    capacity = capacity_mbps(case, link, direction)
    windows, rates, lengths = _seen(case, episode)
    limits = case.profile.thresholds
    usage, full = episode.usage or case.usage, full_within(case, link, direction, episode.window_times(case))
    mean = float(np.average(rates, weights=lengths))
    evidence: dict[str, Any] = {
        "capacity_mbps": capacity,
        "mean_mbps": round(mean, 3),
        "peak_mbps": round(float(rates.max()), 3),
        "mean_share_of_plan": round(mean / capacity, 4),
        "full_minutes": minutes_of(case, usage, windows, rates >= limits.full * capacity, full),
        "busy_minutes": minutes_of(case, usage, windows, rates >= limits.busy * capacity, full, busy_ms),
    }
    confirms = _confirms(case, episode)
    if confirms is not None:
        evidence["confirms_mbps"] = round(confirms, 3)
    lost = _lost(case, episode, windows)
    if lost >= confidence.LOSS_MINOR or episode.estimated:
        evidence["lost_share"] = round(lost, 4)
        evidence["estimated_mean_mbps"] = round(mean / (1.0 - lost), 3)
    if len(episode.spans) > 1:
        evidence["spells"] = iso_spans(case, episode.span_times(case))
    habit = usual(case, link, direction, *episode.times(case))
    if habit is not None:
        times = habit.times(mean)
        evidence["usual_mbps"] = round(habit.median_mbps, 3)
        evidence["usual_mad_mbps"] = round(habit.mad_mbps, 3)
        evidence["usual_days"] = habit.days
        evidence["times_usual"] = None if times is None else round(times, 1)
    evidence.update(attribution(case, link, direction, episode.window_times(case)))
    return evidence, habit


def _confirms(case: Case, episode: Episode) -> float | None:
    """Mean wire rate of the other direction, Mbit/s, where an episode's own packets are its acknowledgements."""
    usage, windows = episode.usage or case.usage, episode.windows()
    link, direction = episode.link, episode.direction
    octets, packets = (
        usage.ip_octets[link, direction][windows].sum(),
        usage.packets[link, direction][windows].sum(),
    )
    other = usage.ip_octets[link, 1 - direction][windows].sum()
    if octets > ACKNOWLEDGING_OCTETS * packets or other < CONFIRMED_TIMES * octets:
        return None
    lengths = np.maximum(usage.lengths_ms[windows], 1)
    return float(np.average(usage.mbps(link, 1 - direction)[windows], weights=lengths))


def _seen(case: Case, episode: Episode) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.int64]]:
    """An episode's windows, their rates and how much of each counts, without dips that a loss or a restart made."""
    usage, windows = episode.usage or case.usage, episode.windows()
    rates = episode.rates(case)
    blind = hidden(case, usage)[windows] & (rates < DIP * np.median(rates))
    return windows[~blind], rates[~blind], np.maximum(usage.lengths_ms[windows][~blind], 1)


def _lost(case: Case, episode: Episode, windows: NDArray[np.intp]) -> float:
    """The part of the records that was lost around windows of an episode."""
    return float(lost_share(case, episode.usage or case.usage)[windows].mean())


def doubts(case: Case, episode: Episode, threshold: float) -> list[Doubt | None]:
    """What bears on how sure an episode over a threshold is."""
    usage, windows = episode.usage or case.usage, episode.windows()
    link, direction = episode.link, episode.direction
    seen, rates, lengths = _seen(case, episode)
    lost = _lost(case, episode, seen)
    measured = float(np.average(rates, weights=lengths)) / capacity_mbps(case, link, direction)
    share = measured / (1.0 - lost)
    lowers = threshold < case.profile.thresholds.full
    packets = float(usage.packets[link, direction][windows].sum())
    start, end = episode.times(case)
    return [
        confidence.of_plan(case, link, direction, share),
        confidence.of_margin(share, threshold),
        confidence.of_sampling(case, packets, share, threshold),
        confidence.of_resolution(case, end - start),
        confidence.of_silence(case, case.usage.touched(start, end)),
        Doubt(wording.only_estimated(lost), MINOR)
        if episode.estimated
        else confidence.of_loss_share(lost, lowers=lowers),
        confidence.of_end(case, end),
        *(
            Doubt(wording.bridged_dip(case, *dip), MINOR if lowers else NOTED)
            for dip in _dips(case, episode, threshold)
        ),
    ]


def _dips(case: Case, episode: Episode, threshold: float) -> Iterator[tuple[int, int]]:
    """[start, end) in ms from the first to the last window of each span of an episode that was measured under its threshold
    in a time that a loss or a restart took records from: there it is taken to have gone on.
    """
    usage = episode.usage or case.usage
    under = usage.mbps(episode.link, episode.direction) < threshold * capacity_mbps(
        case, episode.link, episode.direction
    )
    under &= hidden(case, usage)
    for first, stop in () if episode.estimated else episode.spans:
        dip = first + np.flatnonzero(under[first:stop])
        if len(dip):
            yield usage.times(int(dip[0]), int(dip[-1]) + 1)


def way(direction: int) -> Any:
    """ "down" or "up", as findings carry it."""
    return DIRECTION_NAMES[direction]
