"""From a diagnosis to a note: the client's part, the engineer's part, and the series that pictures show."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

import numpy as np

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.diagnoser.finding import Finding, Verdict
from flowdiag.diagnoser.wording_times import site_clock
from flowdiag.note import wording as words
from flowdiag.note.charting import charts, stack
from flowdiag.note.escape import terminal
from flowdiag.note.model import ClientPart, Note, NoteCoverage
from flowdiag.note.pseudonyms import Pseudonyms, inside_of

Part = TypeVar("Part")


def compose(diagnosis: Diagnosis, *, ticket: str | None = None, pseudonyms: Pseudonyms | None = None) -> Note:
    """The note of a diagnosis. ticket: its reference; pseudonyms: replace inside addresses by these.

    Deterministic: the same diagnosis and key give the same note.
    """
    case, verdict = diagnosis.case, diagnosis.verdict
    findings = verdict_first(diagnosis)
    site = case.profile.site
    note = Note(
        ticket=_line(ticket),
        site=site.name,
        timezone=site.timezone,
        reported=_line(case.reported),
        window_ms=case.window_ms,
        client=client_part(case, verdict, findings),
        verdict=verdict,
        findings=findings,
        links=diagnosis.links,
        talkers=diagnosis.talkers,
        applications=diagnosis.applications,
        destinations=diagnosis.destinations,
        coverage=note_coverage(case),
        cautions=diagnosis.cautions,
        method=words.method(case.profile),
        unseen=words.UNSEEN_ALWAYS,
        charts=charts(case),
        stack=stack(case, verdict),
        seconds=site_clock(case).fine,
    )
    note = rewritten(note, terminal)
    if pseudonyms is None:
        return note
    is_inside = inside_of(case)
    note = rewritten(note, lambda text: pseudonyms.replaced(text, is_inside))
    return replace(note, pseudonyms=True, cautions=(*note.cautions, words.PSEUDONYMS))


def _line(text: str | None) -> str | None:
    return (text or "").strip() or None


def verdict_first(diagnosis: Diagnosis) -> tuple[Finding, ...]:
    """The finding that the verdict rests on, then the others in their order."""
    first = diagnosis.verdict.finding
    others = tuple(finding for finding in diagnosis.findings if finding is not first)
    return others if first is None else (first, *others)


def client_part(case: Case, verdict: Verdict, findings: tuple[Finding, ...]) -> ClientPart:
    saw = [verdict.sentence]
    if verdict.code == "not-the-link":
        aside = [f for f in findings if f.code in words.WORTH_NOTICING and f.severity != "info"]
        saw += [words.besides(finding.client) for finding in aside[:1]]
    clock = site_clock(case)
    about = verdict.finding.link if verdict.finding else None
    audit = _line(case.reported) is None
    variable = any(link.variable for link in case.profile.link if link.name == about)
    return ClientPart(
        told=words.told(_line(case.reported), clock, case.window_ms, given=case.window_given),
        saw=tuple(saw),
        means=words.means(verdict, audit=audit, variable=variable),
        next=words.next_step(verdict, audit=audit, variable=variable),
    )


def note_coverage(case: Case) -> NoteCoverage:
    coverage = case.coverage
    sent = coverage.records + coverage.lost_records
    return NoteCoverage(
        records=coverage.records,
        first_ms=coverage.first_ms,
        last_ms=coverage.last_ms,
        heard=heard_part(case),
        lost_records=coverage.lost_records,
        lost_percent=100.0 * coverage.lost_records / sent if sent else 0.0,
        lost_is_estimate=coverage.lost_is_estimate,
        undecoded_records=coverage.undecoded_records,
        sampling=coverage.sampling,
        resolution_s=coverage.resolution_s,
        resolution_known=coverage.resolution_known,
        notes=coverage.notes,
    )


def heard_part(case: Case) -> float:
    """Part of the window's minutes, those outside the export too, in which the exporter was heard."""
    usage, (begin, end) = case.usage, case.window_ms
    first = (begin - usage.start_ms) // usage.window_ms
    past = -((usage.start_ms - end) // usage.window_ms)
    if past <= first:
        return 0.0
    heard = case.coverage.heard[max(first, 0) : max(past, 0)]
    return float(np.count_nonzero(heard)) / (past - first)


def rewritten(part: Part, rewrite: Callable[[str], str]) -> Part:
    """The same value with every text in it rewritten; keys of dictionaries are the program's own and stay."""
    value: Any = part
    if isinstance(value, str):
        value = rewrite(value)
    elif isinstance(value, tuple):
        value = tuple(rewritten(item, rewrite) for item in value)
    elif isinstance(value, list):
        value = [rewritten(item, rewrite) for item in value]
    elif isinstance(value, dict):
        value = {key: rewritten(item, rewrite) for key, item in value.items()}
    elif is_dataclass(value) and not isinstance(value, type):
        changed = {f.name: rewritten(getattr(value, f.name), rewrite) for f in fields(value)}
        value = type(value)(**changed)
    return value  # type: ignore[no-any-return]
