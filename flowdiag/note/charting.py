"""What the pictures of a note show: the rate of each link direction over time, and who used the main one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.addresses import to_text
from flowdiag.aggregator.chunks import chunked_sum
from flowdiag.aggregator.labels import label_of
from flowdiag.aggregator.site_flows import DIRECTION_NAMES
from flowdiag.aggregator.spread import WindowGrid, spread
from flowdiag.aggregator.usage import Usage
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Verdict
from flowdiag.diagnoser.signals.episodes import capacity_mbps, episodes
from flowdiag.diagnoser.signals.figure_windows import figure_windows
from flowdiag.diagnoser.signals.link_bands import link_bands
from flowdiag.diagnoser.signals.link_states import CARRYING, KEEPALIVES, SILENT, STATE_NAMES, UNKNOWN
from flowdiag.durations import Span
from flowdiag.note.model import Chart, Layer, Rates, Stack, StateSpan, TimeAxis
from flowdiag.text.wording import pictures as wording

# As many points as a picture of a page's width can tell apart.
MOST_POINTS: Final = 240
STEPS_S: Final = (
    *(5, 10, 15, 20, 30),
    *(60 * minutes for minutes in (1, 2, 5, 10, 15, 30, 60, 120, 240, 360, 720, 1440)),
)
# A link that changes its state each minute, as a backup with its keepalives does, is not drawn finer than half a dot.
MOST_STATES: Final = 1_440
# What is told of a time of several states: what should not be on a primary, what should not be on a backup.
_TELLING: Final = {
    "primary": (SILENT, UNKNOWN, KEEPALIVES, CARRYING),
    "backup": (CARRYING, UNKNOWN, KEEPALIVES, SILENT),
}
# A chart shows as much again around the complaint's window, so that before and after can be compared.
CONTEXT: Final = 0.5
LEAST_CONTEXT_MS: Final = 1_800_000
# Talkers drawn by name; more colours than that cannot be told apart.
NAMED_LAYERS: Final = 5
# A talker with less than that of the episode is one of the others: its layer could not be seen.
WORTH_NAMING: Final = 0.01


def shown_span(case: Case) -> Span:
    """The time that the pictures of a note show: the time looked at and what is around it, as far as the export goes."""
    usage, (begin, end) = case.usage, case.window_ms
    if case.window_given:
        context = max(int((end - begin) * CONTEXT), LEAST_CONTEXT_MS)
        begin, end = begin - context, end + context
    return max(begin, usage.start_ms), min(end, usage.end_ms)


def time_axis(case: Case, span_ms: Span) -> TimeAxis:
    """Steps over a span of time, also where the export does not cover it; whole minutes, at most MOST_POINTS steps.

    Spans of one length have steps of one length, so that pictures of two times can be laid beside each other.
    """
    minute = case.usage.window_ms
    start, end = span_ms[0] // minute * minute, -(-span_ms[1] // minute) * minute
    window = figure_windows(case).usage.window_ms
    return TimeAxis(start, max(end, start), step_windows((end - start) // window, window) * window)


def charts(case: Case, axis: TimeAxis) -> tuple[Chart, ...]:
    """One per link and direction, all over the axis; none for an axis without any time."""
    if axis.end_ms <= axis.start_ms:
        return ()
    profile, windows = case.profile, figure_windows(case)
    usage = windows.usage
    per_step = axis.step_ms // usage.window_ms
    heard = on_axis(windows.heard, usage, axis, fill=False)
    states = link_bands(case)
    found = episodes(case)
    drawn = []
    for number, link in enumerate(profile.link):
        known = on_axis(states[number], case.usage, axis, fill=UNKNOWN)
        band = state_spans(coarse(known, link.role), axis.start_ms, case.usage.window_ms)
        for direction, name in enumerate(DIRECTION_NAMES):
            rates = on_axis(usage.mbps(number, direction), usage, axis, fill=0.0)
            full, busy = (
                tuple(
                    _clipped(episode.span_times(case), axis.start_ms, axis.end_ms)
                    for episode in kind
                    if (episode.link, episode.direction) == (number, direction)
                )
                for kind in (found.full, found.busy)
            )
            means, peaks = binned(rates, heard, per_step)
            drawn.append(
                Chart(
                    link=link.name,
                    role=link.role,
                    direction=name,
                    capacity_mbps=capacity_mbps(case, number, direction),
                    start_ms=axis.start_ms,
                    step_ms=axis.step_ms,
                    rates=means,
                    peaks=peaks,
                    full=sum(full, ()),
                    busy=sum(busy, ()),
                    states=band,
                    window_ms=case.window_ms if case.window_given else None,
                )
            )
    return tuple(drawn)


def on_axis(values: NDArray[Any], usage: Usage, axis: TimeAxis, *, fill: float) -> NDArray[Any]:
    """The values of a usage grid's windows, one for each window of the axis; `fill` where the grid has none."""
    windows = (axis.end_ms - axis.start_ms) // usage.window_ms
    skipped = (axis.start_ms - usage.start_ms) // usage.window_ms
    shown: NDArray[Any] = np.full(windows, fill, values.dtype)
    first, past = max(skipped, 0), min(skipped + windows, len(values))
    if past > first:
        shown[first - skipped : past - skipped] = values[first:past]
    return shown


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


def coarse(states: NDArray[np.int8], role: str) -> NDArray[np.int8]:
    """The states of a link's windows, those of each stretch the same where there are more than MOST_STATES. role: of the
    link, which says what of a stretch has to be seen."""
    together = -(-len(states) // MOST_STATES)
    if together <= 1:
        return states
    order = _TELLING[role]
    rank = np.argsort(order)[states]
    telling = np.minimum.reduceat(rank, np.arange(0, len(states), together))
    return np.repeat(np.array(order, np.int8)[telling], together)[: len(states)]


def _clipped(spans: Iterable[Span], start_ms: int, end_ms: int) -> tuple[Span, ...]:
    inside = ((max(a, start_ms), min(b, end_ms)) for a, b in spans)
    return tuple((a, b) for a, b in inside if b > a)


def stack(case: Case, verdict: Verdict, drawn: Sequence[Chart]) -> Stack | None:
    """Who used the link direction of the verdict's finding: its chart, shared out. None where it has no link or chart.

    The layers of a step add up to the rate that the chart has there.
    """
    finding = verdict.finding
    names = [link.name for link in case.profile.link]
    if finding is None or finding.start_ms is None or finding.end_ms is None or finding.link not in names:
        return None
    link, episode_ms = names.index(finding.link), (finding.start_ms, finding.end_ms)
    direction = (
        _fuller(case, link, episode_ms)
        if finding.direction is None
        else DIRECTION_NAMES.index(finding.direction)
    )
    place = (finding.link, DIRECTION_NAMES[direction])
    chart = next((chart for chart in drawn if (chart.link, chart.direction) == place), None)
    layers = _layers(case, link, direction, chart, episode_ms) if chart else ()
    return Stack(chart, episode_ms, layers) if chart and layers else None


def _fuller(case: Case, link: int, episode_ms: Span) -> int:
    """The direction that used more of its capacity."""
    usage = case.usage
    first = max((episode_ms[0] - usage.start_ms) // usage.window_ms, 0)
    past = max(-((usage.start_ms - episode_ms[1]) // usage.window_ms), first + 1)
    shares = [
        usage.mbps(link, direction)[first:past].mean() / capacity_mbps(case, link, direction)
        for direction in (0, 1)
    ]
    return int(np.argmax(shares))


def _layers(case: Case, link: int, direction: int, chart: Chart, episode_ms: Span) -> tuple[Layer, ...]:
    """The largest hosts of the episode, as far as the chart shows it, and the others together."""
    flows = case.flows
    mine = (flows.link == link) & (flows.direction == direction)
    shown = (max(episode_ms[0], chart.start_ms), min(episode_ms[1], chart.end_ms))
    largest = _largest(case, mine, shown)
    if largest is None:
        return ()
    layer_of = np.full(flows.insides, len(largest), np.int8)
    layer_of[largest] = np.arange(len(largest))
    steps = WindowGrid(chart.start_ms, chart.step_ms, len(chart.rates))
    rows = np.flatnonzero(mine & (flows.start_ms < steps.end_ms) & (flows.end_ms >= steps.start_ms))
    layer = layer_of[flows.inside[rows]]
    values = [flows.wire_octets[rows]]
    octets = spread(flows.start_ms[rows], flows.end_ms[rows], values, steps, layer, len(largest) + 1)[0]
    total = octets.sum(axis=0)
    shares = np.divide(octets, total, out=np.zeros_like(octets), where=total > 0.0)
    rates = np.round(shares * np.array([rate or 0.0 for rate in chart.rates]), 6)
    layers = [
        Layer(_named(case, host), tuple(row)) for host, row in zip(largest, rates.tolist(), strict=False)
    ]
    if rates[-1].any():
        layers.append(Layer(wording.OTHERS, tuple(rates[-1].tolist())))
    return tuple(layers)


def _largest(case: Case, mine: NDArray[np.bool_], span_ms: Span) -> list[int] | None:
    """The NAMED_LAYERS hosts with most octets of the flows `mine` that touch a time; None where there are none."""
    flows, (begin, end) = case.flows, span_ms

    def octets_by_host(step: slice) -> NDArray[np.float64]:
        during = np.flatnonzero(mine[step] & (flows.end_ms[step] >= begin) & (flows.start_ms[step] < end))
        return np.bincount(flows.inside[step][during], flows.wire_octets[step][during], flows.insides).astype(
            np.float64
        )

    sums = chunked_sum(octets_by_host, len(flows), cells=flows.insides)
    if end <= begin or not sums.any():
        return None
    largest = np.argsort(-sums, kind="stable")[:NAMED_LAYERS]
    return [int(host) for host in largest[sums[largest] >= WORTH_NAMING * sums.sum()]]


def _named(case: Case, host: int) -> str:
    """A host's address, with its label where it has one."""
    address = case.flows.addresses[host]
    label = label_of(case.profile, address)
    return f"{to_text(address)} ({label})" if label else to_text(address)
