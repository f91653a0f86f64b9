"""What the pictures of a note show: the rate of each link direction over time, and who used the main one."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import DIRECTION_NAMES
from flowdiag.aggregator.spread import WindowGrid, spread
from flowdiag.aggregator.steps import added_up
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Verdict
from flowdiag.diagnoser.signals.episodes import capacity_mbps, episodes
from flowdiag.diagnoser.signals.figure_windows import figure_windows
from flowdiag.diagnoser.signals.link_states import STATE_NAMES, link_states
from flowdiag.diagnoser.signals.shares import address_text, label_of
from flowdiag.diagnoser.signals.timeline import Grid
from flowdiag.note.model import Chart, Layer, Rates, Span, Stack, StateSpan

# As many points as a picture of a page's width can tell apart.
MOST_POINTS: Final = 240
STEPS_S: Final = (
    *(5, 10, 15, 20, 30),
    *(60 * minutes for minutes in (1, 2, 5, 10, 15, 30, 60, 120, 240, 360, 720, 1440)),
)
# A chart shows as much again around the complaint's window, so that before and after can be compared.
CONTEXT: Final = 0.5
LEAST_CONTEXT_MS: Final = 1_800_000
# Talkers drawn by name; more colours than that cannot be told apart.
NAMED_LAYERS: Final = 5
# A talker with less than that of the episode is one of the others: its layer could not be seen.
WORTH_NAMING: Final = 0.01
OTHERS: Final = "all others"


def charts(case: Case) -> tuple[Chart, ...]:
    """One per link and direction, all over the same time; none for an export without any time."""
    first, past = shown_windows(case)
    if past <= first:
        return ()
    minutes, profile = case.usage, case.profile
    start_ms, end_ms = minutes.times(first, past)
    windows = figure_windows(case)
    usage = windows.usage
    shown = slice(
        max((start_ms - usage.start_ms) // usage.window_ms, 0), (end_ms - usage.start_ms) // usage.window_ms
    )
    heard = windows.heard[shown]
    step = step_windows(len(heard), usage.window_ms)
    states = link_states(case).states[:, first:past]
    found = episodes(case)
    whole = case.window_ms[0] <= start_ms and case.window_ms[1] >= end_ms
    window = None if whole else case.window_ms
    drawn = []
    for number, link in enumerate(profile.link):
        band = state_spans(states[number], start_ms, minutes.window_ms)
        for direction, name in enumerate(DIRECTION_NAMES):
            rates = usage.mbps(number, direction)[shown]
            full, busy = (
                tuple(
                    _clipped(episode.span_times(case), start_ms, end_ms)
                    for episode in kind
                    if (episode.link, episode.direction) == (number, direction)
                )
                for kind in (found.full, found.busy)
            )
            means, peaks = binned(rates, heard, step)
            drawn.append(
                Chart(
                    link=link.name,
                    role=link.role,
                    direction=name,
                    capacity_mbps=capacity_mbps(case, number, direction),
                    start_ms=start_ms,
                    step_ms=step * usage.window_ms,
                    rates=means,
                    peaks=peaks,
                    full=sum(full, ()),
                    busy=sum(busy, ()),
                    states=band,
                    window_ms=window,
                )
            )
    return tuple(drawn)


def shown_windows(case: Case) -> tuple[int, int]:
    """[first, past) windows of the usage grid that charts show: the time looked at and what is around."""
    usage, (begin, end) = case.usage, case.window_ms
    if case.window_given:
        context = max(int((end - begin) * CONTEXT), LEAST_CONTEXT_MS)
        begin, end = begin - context, end + context
    first = max((begin - usage.start_ms) // usage.window_ms, 0)
    past = min(-((usage.start_ms - end) // usage.window_ms), usage.windows)
    return first, past


def step_windows(windows: int, window_ms: int) -> int:
    """Windows that one point of a chart covers, so that there are at most MOST_POINTS (more for years)."""
    for seconds in STEPS_S:
        step = max(seconds * 1000 // window_ms, 1)
        if windows <= MOST_POINTS * step:
            return step
    return -(-windows // MOST_POINTS)


def binned(rates: NDArray[np.float64], heard: NDArray[np.bool_], step: int) -> tuple[Rates, Rates]:
    """Mean and peak of each `step` windows in which the exporter was heard; None where it was not."""
    means: list[float | None] = []
    peaks: list[float | None] = []
    for at in range(0, len(rates), step):
        known = rates[at : at + step][heard[at : at + step]]
        means.append(round(float(known.mean()), 6) if len(known) else None)
        peaks.append(round(float(known.max()), 6) if len(known) else None)
    return tuple(means), tuple(peaks)


def state_spans(states: NDArray[np.int8], start_ms: int, window_ms: int) -> tuple[StateSpan, ...]:
    edges = [0, *(np.flatnonzero(np.diff(states)) + 1).tolist(), len(states)]
    return tuple(
        StateSpan(start_ms + first * window_ms, start_ms + past * window_ms, STATE_NAMES[int(states[first])])
        for first, past in pairwise(edges)
        if past > first
    )


def _clipped(spans: Iterable[Span], start_ms: int, end_ms: int) -> tuple[Span, ...]:
    inside = ((max(a, start_ms), min(b, end_ms)) for a, b in spans)
    return tuple((a, b) for a, b in inside if b > a)


def stack(case: Case, verdict: Verdict) -> Stack | None:
    """Who used the link direction of the verdict's finding while it lasted; None where it has none."""
    finding = verdict.finding
    names = [link.name for link in case.profile.link]
    if finding is None or finding.start_ms is None or finding.end_ms is None or finding.link not in names:
        return None
    link = names.index(finding.link)
    usage = case.usage
    first = max((finding.start_ms - usage.start_ms) // usage.window_ms, 0)
    past = min(-((usage.start_ms - finding.end_ms) // usage.window_ms), usage.windows)
    if past <= first:
        return None
    direction = (
        _fuller(case, link, first, past)
        if finding.direction is None
        else DIRECTION_NAMES.index(finding.direction)
    )
    around = max((past - first) // 4, 3)
    first, past = max(first - around, 0), min(past + around, usage.windows)
    step = step_windows(past - first, usage.window_ms)
    grid = Grid(usage.start_ms + first * usage.window_ms, usage.window_ms, past - first)
    layers = _layers(case, link, direction, grid, (finding.start_ms, finding.end_ms))
    if not layers:
        return None
    steps = range(0, grid.bins, step)
    return Stack(
        link=finding.link,
        direction=DIRECTION_NAMES[direction],
        capacity_mbps=capacity_mbps(case, link, direction),
        start_ms=grid.start_ms,
        step_ms=step * usage.window_ms,
        episode_ms=(finding.start_ms, finding.end_ms),
        layers=tuple(
            Layer(name, tuple(round(float(rates[at : at + step].mean()), 6) for at in steps))
            for name, rates in layers
        ),
    )


def _fuller(case: Case, link: int, first: int, past: int) -> int:
    """The direction that used more of its capacity."""
    shares = [
        case.usage.mbps(link, direction)[first:past].mean() / capacity_mbps(case, link, direction)
        for direction in (0, 1)
    ]
    return int(np.argmax(shares))


def _layers(
    case: Case, link: int, direction: int, grid: Grid, episode_ms: Span
) -> list[tuple[str, NDArray[np.float64]]]:
    """(name, Mbit/s per bin): the NAMED_LAYERS largest hosts of the episode, and the others together."""
    flows = case.flows
    mine = (flows.link == link) & (flows.direction == direction)
    hosts = flows.insides

    def octets_by_host(step: slice) -> NDArray[np.float64]:
        start, end = flows.start_ms[step], flows.end_ms[step]
        during = np.flatnonzero(mine[step] & (end >= episode_ms[0]) & (start < episode_ms[1]))
        return np.bincount(flows.inside[step][during], flows.wire_octets[step][during], hosts).astype(
            np.float64
        )

    sums = added_up(octets_by_host, len(flows), cells=hosts)
    if not sums.any():
        return []
    largest = np.argsort(-sums, kind="stable")[:NAMED_LAYERS]
    largest = largest[sums[largest] >= WORTH_NAMING * sums.sum()].tolist()
    layer_of = np.full(len(sums), len(largest), np.int8)
    layer_of[largest] = np.arange(len(largest))
    bins = WindowGrid(grid.start_ms, grid.step_ms, grid.bins)
    rows = np.flatnonzero(mine & (flows.start_ms < bins.end_ms) & (flows.end_ms >= bins.start_ms))
    layer = layer_of[flows.inside[rows]]
    values = [flows.wire_octets[rows]]
    octets = spread(flows.start_ms[rows], flows.end_ms[rows], values, bins, layer, len(largest) + 1)[0]
    names = []
    for host in largest:
        address = flows.addresses[host]
        label = label_of(case, address)
        names.append(address_text(address) + (f" ({label})" if label else ""))
    *rates, others = octets * (8.0 / grid.step_ms / 1000.0)
    layers = list(zip(names, rates, strict=True))
    if others.any():
        layers.append((OTHERS, others))
    return layers
