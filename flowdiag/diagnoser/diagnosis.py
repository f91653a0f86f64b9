"""What a diagnosis is, before anything is rendered."""

from __future__ import annotations

from msgspec import Struct

from flowdiag.aggregator.figures import LinkFigures, Ranked
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Finding, Verdict


class Diagnosis(Struct, frozen=True, eq=False):
    """findings: most severe first, then by time. links, talkers, applications, destinations cover case.window_ms."""

    case: Case
    verdict: Verdict
    findings: tuple[Finding, ...]
    links: tuple[LinkFigures, ...]
    talkers: tuple[Ranked, ...]
    applications: tuple[Ranked, ...]
    destinations: tuple[Ranked, ...]
    cautions: tuple[str, ...]
