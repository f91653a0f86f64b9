"""A ticket note before it is written in a format: everything that formats show, and nothing to compute.

All text in it is one printable line each (escape.py); a format adds only the escaping that its syntax needs.
Times are ms since 1970 UTC; `note.clock` writes them.
"""

from __future__ import annotations

from itertools import groupby

from msgspec import Struct

from flowdiag.aggregator.figures import LinkFigures, Ranked
from flowdiag.diagnoser.comparison import Comparison
from flowdiag.diagnoser.finding import Finding, Verdict
from flowdiag.durations import Span
from flowdiag.text.clock import Clock

Rates = tuple[float | None, ...]  # Mbit/s per step; None where the exporter was not heard


class ClientPart(Struct, frozen=True):
    """What the client reads: plain words, one cause, one next step. Sentences."""

    told: str
    saw: tuple[str, ...]
    means: str
    next: tuple[str, ...]


class StateSpan(Struct, frozen=True):
    """What a link did: state is one of diagnoser.link_states.STATE_NAMES."""

    start_ms: int
    end_ms: int
    state: str


class TimeAxis(Struct, frozen=True):
    """The time that all pictures of a note share: steps of step_ms from start_ms on, the last one cut at end_ms."""

    start_ms: int
    end_ms: int
    step_ms: int


class Chart(Struct, frozen=True):
    """The rate of one link direction over time.

    rates: mean of each step, Mbit/s with the link's framing; peaks: the step's highest minute. full, busy:
    sustained spans. window_ms: the time that was asked about, None where no time was given. scale_mbps: where charts
    share one scale, the highest rate of all of them.
    """

    link: str
    role: str
    direction: str
    capacity_mbps: float
    start_ms: int
    step_ms: int
    rates: Rates
    peaks: Rates
    full: tuple[Span, ...]
    busy: tuple[Span, ...]
    states: tuple[StateSpan, ...]
    window_ms: Span | None
    scale_mbps: float | None = None

    @property
    def highest_mbps(self) -> float:
        """The highest rate that the scale has room for."""
        if self.scale_mbps is not None:
            return self.scale_mbps
        return max((peak for peak in self.peaks if peak is not None), default=0.0)

    @property
    def end_ms(self) -> int:
        return self.start_ms + self.step_ms * len(self.rates)

    @property
    def asked_ms(self) -> Span | None:
        """The part of the time asked about that the chart shows."""
        if self.window_ms is None:
            return None
        span = (max(self.window_ms[0], self.start_ms), min(self.window_ms[1], self.end_ms))
        return span if span[1] > span[0] else None

    @property
    def stretches(self) -> tuple[tuple[bool, Span], ...]:
        """(whether rates are known, its time) of each stretch of the chart."""
        found = []
        for known, group in groupby(enumerate(self.rates), key=lambda item: item[1] is not None):
            steps = [at for at, _ in group]
            start = self.start_ms + steps[0] * self.step_ms
            found.append((known, (start, start + len(steps) * self.step_ms)))
        return tuple(found)

    @property
    def gaps(self) -> tuple[Span, ...]:
        """Where the exporter was not heard."""
        return tuple(span for known, span in self.stretches if not known)


class Layer(Struct, frozen=True):
    """One talker's part of a stack; rates in Mbit/s per step."""

    name: str
    rates: tuple[float, ...]


class Stack(Struct, frozen=True):
    """Who used a chart's link and direction, on its time axis; episode_ms: the main finding.

    The largest of the finding's users first, the rest of them last; together they are the chart's rates.
    """

    chart: Chart
    episode_ms: Span
    layers: tuple[Layer, ...]

    @property
    def edges_ms(self) -> tuple[int, ...]:
        """Where the finding begins and ends, as far as the chart shows it."""
        return tuple(ms for ms in self.episode_ms if self.chart.start_ms <= ms <= self.chart.end_ms)


class Beside(Struct, frozen=True):
    """Another time beside the one asked about. charts: the rates of one link direction in both, on axes of one length and
    scale; none where there is nothing to compare.
    """

    comparison: Comparison
    charts: tuple[Chart, ...]


class NoteCoverage(Struct, frozen=True):
    """heard: part of the window in which the exporter gave a sign of life, 0 to 1."""

    records: int
    first_ms: int | None
    last_ms: int | None
    heard: float
    lost_records: int
    lost_percent: float
    lost_is_estimate: bool
    undecoded_records: int
    sampling: float
    resolution_s: int
    resolution_known: bool
    notes: tuple[str, ...]


class Note(Struct, frozen=True):
    """findings: the verdict's first, then the most severe. talkers, applications, destinations: of window_ms.

    method: how the figures were computed; unseen: what such an export cannot show; pseudonyms: whether inside
    addresses were replaced; seconds: whether long spans too are told to the second; beside:
    another time, where one was asked for.
    """

    ticket: str | None
    site: str
    timezone: str
    reported: str | None
    window_ms: Span
    client: ClientPart
    verdict: Verdict
    findings: tuple[Finding, ...]
    links: tuple[LinkFigures, ...]
    talkers: tuple[Ranked, ...]
    applications: tuple[Ranked, ...]
    destinations: tuple[Ranked, ...]
    coverage: NoteCoverage
    cautions: tuple[str, ...]
    method: tuple[str, ...]
    unseen: tuple[str, ...]
    charts: tuple[Chart, ...]
    stack: Stack | None
    pseudonyms: bool = False
    seconds: bool = False
    beside: Beside | None = None

    @property
    def clock(self) -> Clock:
        return Clock(self.timezone, fine=self.seconds)
