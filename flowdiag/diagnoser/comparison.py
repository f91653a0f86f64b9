"""Two times of a site beside each other: the figures of both, what differs in one sentence, and what the comparison rests on.

A difference counts where the verdicts are of another kind; where a link direction was full or busy in one time and not in
the other; and where its mean or its peak moved by a tenth of the plan. (Common practice, no source.) Where a time has no
records, or less than half of it has, nothing is said of a difference.
"""

from __future__ import annotations

from typing import Final

from msgspec import Struct

from flowdiag.aggregator.figures import DirectionFigures
from flowdiag.aggregator.site_flows import DIRECTION_NAMES
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.compared import BUSY, CALM, FULL, Load, Side
from flowdiag.diagnoser.confidence import LOSS_MINOR
from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.diagnoser.finding import Verdict
from flowdiag.diagnoser.findings.cannot_tell import LEAST_COVERED
from flowdiag.diagnoser.signals.episodes import Episode, episodes
from flowdiag.diagnoser.signals.losses import lost_between
from flowdiag.diagnoser.signals.silences import covered
from flowdiag.diagnoser.signals.traffic_shift import Shifts, shifts
from flowdiag.durations import Span
from flowdiag.text.sentences import comparison as wording

# From that part of the plan on a difference of mean or peak counts.
COUNTS: Final = 0.10
# From that part of the larger volume on it is asked what the difference is.
LARGER_VOLUME: Final = 0.20
# Under that part covered it is said.
WHOLLY_COVERED: Final = 0.95
# Lengths that differ by less are alike.
SAME_LENGTH: Final = 0.01
LOAD: Final = ("link-full", "link-busy")
_ROUNDING: Final = 1e-9


class Pair(Struct, frozen=True):
    """The figures of a link direction in both times; None where that time has no records."""

    link: str
    role: str
    direction: str
    asked: DirectionFigures | None
    other: DirectionFigures | None


class Comparison(Struct, frozen=True):
    """asked_ms, other_ms: the windows; asked_covered, other_covered: the parts of them that have records, 0 to 1.

    differs: whether anything counts; about: the link and direction of the sentence; None for both where there is nothing to
    compare. other_verdict: None where the other time has no records. shifts: of `about`.
    """

    asked_ms: Span
    other_ms: Span
    asked_covered: float
    other_covered: float
    sentence: str
    differs: bool | None
    about: tuple[str, str] | None
    pairs: tuple[Pair, ...]
    shifts: Shifts | None
    other_verdict: Verdict | None
    doubts: tuple[str, ...]


def compare(asked: Diagnosis, other: Diagnosis, direction: str | None = None) -> Comparison:
    """Two diagnoses of one site. direction: the only one to speak of; links are those of the first."""
    ours, theirs = asked.case, other.case
    parts = covered(ours), covered(theirs)
    pairs = _pairs(asked, other, parts)
    of_direction = [pair for pair in pairs if direction in (None, pair.direction)]
    windows = ours.window_ms, theirs.window_ms
    missing = _missing(ours, theirs, parts, of_direction)
    if missing is not None:
        known = other.verdict if parts[1] > 0.0 else None
        return Comparison(*windows, *parts, missing, None, None, pairs, None, known, ())
    about = _about(asked, other, of_direction)
    link = next(number for number, one in enumerate(ours.profile.link) if one.name == about.link)
    way = DIRECTION_NAMES.index(about.direction)
    first, second = (
        Side(one.case, one.verdict, load(one.case, figures, link, way))
        for one, figures in ((asked, about.asked), (other, about.other))
        if figures is not None
    )
    moved, differs = shifts(ours, theirs, link, way), _differs(first, second)
    of_load = wording.kind(asked.verdict) is None and wording.kind(other.verdict) is None
    shown = moved if differs and of_load and _volumes_differ(moved, ours, theirs) else None
    return Comparison(
        *windows,
        *parts,
        wording.sentence(first, second, link, way, shown, differs=differs),
        differs,
        (about.link, about.direction),
        pairs,
        moved,
        other.verdict,
        _doubts(asked, other, parts, about),
    )


def _missing(ours: Case, theirs: Case, parts: tuple[float, float], of_direction: list[Pair]) -> str | None:
    """Why there is nothing to compare; None where there is."""
    if 0.0 in parts or not of_direction:
        return wording.nothing_to_compare(ours, theirs, asked=parts[0] > 0.0, other=parts[1] > 0.0)
    thin = [
        (part, of)
        for part, of in zip(parts, (wording.ASKED, wording.OTHER), strict=True)
        if part < LEAST_COVERED
    ]
    return wording.too_little(thin[0][1], thin[0][0]) if thin else None


def load(case: Case, figures: DirectionFigures, link: int, direction: int) -> Load:
    """What the sustained episodes of a link direction and its figures say of the window."""
    found = episodes(case)
    full, busy = (_inside(case, kind, link, direction) for kind in (found.full, found.busy))
    plan = figures.capacity_mbps
    return Load(
        FULL if full else BUSY if busy else CALM,
        full or busy,
        figures.peak_mbps / plan,
        figures.mean_mbps / plan,
    )


def _inside(case: Case, kind: tuple[Episode, ...], link: int, direction: int) -> tuple[Span, ...]:
    """The spans of episodes on a link direction as far as they lie in the window."""
    begin, end = case.window_ms
    return tuple(
        (max(start, begin), min(stop, end))
        for episode in kind
        if (episode.link, episode.direction) == (link, direction)
        for start, stop in episode.span_times(case)
        if start < end and stop > begin
    )


def _pairs(asked: Diagnosis, other: Diagnosis, parts: tuple[float, float]) -> tuple[Pair, ...]:
    theirs = {link.name: link for link in other.links}
    return tuple(
        Pair(
            link.name,
            link.role,
            direction,
            getattr(link, direction) if parts[0] > 0.0 else None,
            getattr(theirs[link.name], direction) if parts[1] > 0.0 else None,
        )
        for link in asked.links
        for direction in DIRECTION_NAMES
    )


def _about(asked: Diagnosis, other: Diagnosis, pairs: list[Pair]) -> Pair:
    """The link direction of the first verdict, else of the other, else the one that moved most; of several the fullest."""
    for verdict in (asked.verdict, other.verdict):
        finding = verdict.finding
        named = [
            pair
            for pair in pairs
            if finding is not None
            and (verdict.code in LOAD or wording.kind(verdict) is not None)
            and pair.link == finding.link
            and finding.direction in (None, pair.direction)
        ]
        if named:
            return max(named, key=_highest)
    return max(pairs, key=lambda pair: (_moved(pair), _highest(pair)))


def _highest(pair: Pair) -> float:
    return max(one.peak_mbps / one.capacity_mbps for one in (pair.asked, pair.other) if one)


def _moved(pair: Pair) -> float:
    """The larger of the differences of peak and mean, as a part of the plan."""
    ours, theirs = pair.asked, pair.other
    if ours is None or theirs is None:
        return 0.0
    differences = (ours.peak_mbps - theirs.peak_mbps, ours.mean_mbps - theirs.mean_mbps)
    return max(map(abs, differences)) / ours.capacity_mbps


def _differs(ours: Side, theirs: Side) -> bool:
    if ours.load.level != theirs.load.level or wording.kind(ours.verdict) != wording.kind(theirs.verdict):
        return True
    moved = (ours.load.peak_share - theirs.load.peak_share, ours.load.mean_share - theirs.load.mean_share)
    return max(map(abs, moved)) >= COUNTS * (1.0 - _ROUNDING)


def _volumes_differ(moved: Shifts, ours: Case, theirs: Case) -> bool:
    rates = moved.asked_octets / _length(ours), moved.other_octets / _length(theirs)
    return max(rates) > 0.0 and abs(rates[0] - rates[1]) >= LARGER_VOLUME * max(rates)


def _length(case: Case) -> int:
    return case.window_ms[1] - case.window_ms[0]


def _doubts(asked: Diagnosis, other: Diagnosis, parts: tuple[float, float], about: Pair) -> tuple[str, ...]:
    """What makes the two times less alike than their figures look."""
    ours, theirs = asked.case, other.case
    said = []
    if abs(_length(ours) - _length(theirs)) > SAME_LENGTH * _length(ours):
        said.append(wording.other_length(_length(ours), _length(theirs)))
    for case, part, of in ((ours, parts[0], wording.ASKED), (theirs, parts[1], wording.OTHER)):
        if part < WHOLLY_COVERED:
            said.append(wording.partly_covered(of, part))
        lost = lost_between(case, *case.window_ms)
        if lost >= LOSS_MINOR:
            said.append(wording.records_lost(of, lost))
    if ours.coverage.sampling != theirs.coverage.sampling:
        said.append(wording.other_sampling(ours.coverage.sampling, theirs.coverage.sampling))
    if about.asked and about.other and about.asked.peak_window_s != about.other.peak_window_s:
        said.append(wording.other_windows(about.asked.peak_window_s, about.other.peak_window_s))
    elif ours.coverage.resolution_s != theirs.coverage.resolution_s:
        said.append(wording.other_resolution(ours.coverage.resolution_s, theirs.coverage.resolution_s))
    return tuple(said)
