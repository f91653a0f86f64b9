"""What to keep in mind when reading the figures of a diagnosis: one sentence each."""

from __future__ import annotations

from collections.abc import Sequence

from flowdiag.addresses import to_text
from flowdiag.diagnoser import confidence
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.signals.link_states import link_states
from flowdiag.text.sentences import verdict as wording
from flowdiag.text.sentences.backup import keepalive_candidate
from flowdiag.text.sentences.load import some_stand_for_many


def cautions(case: Case, findings: Sequence[Finding]) -> tuple[str, ...]:
    coverage = case.coverage
    said = [wording.resolution(coverage.resolution_s, coverage.resolution_known)]
    if coverage.sampling > 1:
        said.append(wording.sampled(coverage.sampling))
    gap = any(finding.code == "export-gap" and finding.severity != "info" for finding in findings)
    if gap or confidence.loss_share(case) >= confidence.LOSS_MINOR:
        said.append(wording.LOWER_BOUNDS)
    if coverage.last_ms is not None and case.window_ms[1] > coverage.last_ms - coverage.resolution_s * 1000:
        said.append(wording.OPEN_RECORDS)
    if any(finding.evidence.get("applications") for finding in findings):
        said.append(wording.PORTS_ARE_CONVENTIONS)
    if any(some_stand_for_many(finding.evidence) for finding in findings):
        said.append(wording.ROUTER_STANDS_FOR_ALL)
    if any(finding.code in ("inbound-flood", "outbound-scan") for finding in findings):
        said.append(wording.SECURITY_CAUTION)
    if coverage.links_apart:
        said += [
            keepalive_candidate(
                case.profile.link[candidate.link].name, to_text(candidate.address), candidate.interval_s
            )
            for candidate in link_states(case).candidates
        ]
    return tuple(said)
