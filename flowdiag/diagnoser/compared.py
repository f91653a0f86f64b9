"""One of two times that are held beside each other, as the comparison sees it and its sentence tells it."""

from __future__ import annotations

from msgspec import Struct

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Verdict
from flowdiag.durations import Span

CALM, BUSY, FULL = range(3)


class Load(Struct, frozen=True):
    """How a link direction was used in the window of a case: CALM, BUSY or FULL, when, and its highest part of the plan."""

    level: int
    spans: tuple[Span, ...]
    peak_share: float
    mean_share: float


class Side(Struct, frozen=True):
    """One of the two times, of the link direction that the sentence is about."""

    case: Case
    verdict: Verdict
    load: Load
