"""From a case to a diagnosis: every finder runs, the findings are set in order, one verdict is chosen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from itertools import chain
from typing import Any, Final

from msgspec.structs import replace

from flowdiag.aggregator import concurrently
from flowdiag.aggregator.figures import Ranked
from flowdiag.aggregator.ranking import rank_applications, rank_destinations, rank_talkers
from flowdiag.diagnoser.attacked import left_to_security
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.cautions import cautions
from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.findings import single_host
from flowdiag.diagnoser.kinds import KINDS
from flowdiag.diagnoser.long_time import long_time_findings
from flowdiag.diagnoser.signals.full_times import figures
from flowdiag.diagnoser.verdict import decide, touches

FINDERS: Final = tuple(kind.find for kind in KINDS if kind.find is not None)
RANKINGS: Final = (rank_talkers, rank_applications, rank_destinations)

# Findings outside the window are context when they lie within a day of it; further away they are of no use.
CONTEXT_MS: Final = 86_400_000
# Rows of each ranking that a diagnosis carries; a note shows fewer, `flowdiag top` has all.
RANKED: Final = 20
# How the addresses and applications of conversations are called that roll-ups counted together.
TOGETHER: Final = ("::", "(others)")
SEVERITIES: Final = ("critical", "warning", "info")


def diagnose(case: Case) -> Diagnosis:
    """The diagnosis of a case. Deterministic: the same case gives the same findings in the same order."""

    ranked = (case.flows, case.profile, case.window_ms)
    most = RANKED if case.sums is None else RANKED + 1
    finders = FINDERS if case.sums is None else (long_time_findings,)
    works: list[Callable[[], Any]] = [partial(find, case) for find in finders]
    works += [partial(rank, *ranked, limit=most) for rank in RANKINGS]
    works.append(partial(figures, case))
    *found, talkers, applications, destinations, links = concurrently.in_order(lambda work: work(), works)
    findings = in_order(case, left_to_security(single_host.with_advice(list(chain.from_iterable(found)))))
    return Diagnosis(
        case=case,
        verdict=decide(case, findings),
        findings=findings,
        links=links,
        talkers=named(case, "talkers", talkers),
        applications=named(case, "applications", applications),
        destinations=named(case, "destinations", destinations),
        cautions=cautions(case, findings),
    )


def named(case: Case, kind: str, ranked: Sequence[Ranked]) -> tuple[Ranked, ...]:
    """The rows of a ranking without what stands for many that were counted together; those known better, if there are."""
    if case.sums is None:
        return tuple(ranked)
    ranked = case.rankings.get(kind, ranked)
    return tuple(row for row in ranked if row.key not in TOGETHER)[:RANKED]


def in_order(case: Case, findings: list[Finding]) -> tuple[Finding, ...]:
    """Most severe first, then by time; what lies outside the window is info, what lies over a day away is left out."""
    begin, end = case.window_ms
    kept = []
    for finding in findings:
        if touches(case, finding):
            kept.append(finding)
            continue
        start, stop = finding.start_ms or 0, finding.end_ms or 0
        if start < end + CONTEXT_MS and stop > begin - CONTEXT_MS:
            kept.append(replace(finding, severity="info"))

    def rank(finding: Finding) -> tuple[int, int, str, str, str, int, str]:
        return (
            SEVERITIES.index(finding.severity),
            begin if finding.start_ms is None else finding.start_ms,
            finding.code,
            finding.link or "",
            finding.direction or "",
            end if finding.end_ms is None else finding.end_ms,
            finding.summary,
        )

    return tuple(sorted(kept, key=rank))
