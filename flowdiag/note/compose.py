"""From a diagnosis to a note: the client's part, the engineer's part, and the series that pictures show."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any, Final, TypeVar

import numpy as np
from msgspec import Struct
from msgspec.structs import asdict, replace

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.diagnoser.evidence import Evidence
from flowdiag.diagnoser.finding import Finding, Verdict
from flowdiag.diagnoser.findings.not_the_link import short_cuts
from flowdiag.diagnoser.signals.figure_windows import figure_windows
from flowdiag.note import client_words
from flowdiag.note.charting import charts, shown_span, stack, time_axis
from flowdiag.note.comparison import beside
from flowdiag.note.model import ClientPart, Note, NoteCoverage, StateSpan
from flowdiag.note.pseudonyms import Pseudonyms, inside_of
from flowdiag.text.escape import terminal
from flowdiag.text.sentences.times import site_clock
from flowdiag.text.wording import note as wording
from flowdiag.text.wording.coverage import told

Part = TypeVar("Part")

_NUMBERS: Final = frozenset((float, int, bool, type(None)))


def compose(
    diagnosis: Diagnosis,
    *,
    ticket: str | None = None,
    pseudonyms: Pseudonyms | None = None,
    other: Diagnosis | None = None,
    direction: str | None = None,
) -> Note:
    """The note of a diagnosis. ticket: its reference; pseudonyms: replace inside addresses by these; other: of another time,
    to be held beside it; direction: the only one that a comparison speaks of.

    Deterministic: the same diagnosis and key give the same note.
    """
    case, verdict = diagnosis.case, diagnosis.verdict
    findings = verdict_first(diagnosis)
    site = case.profile.site
    drawn = charts(case, time_axis(case, shown_span(case)))
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
        method=wording.method(
            case.profile,
            figure_windows(case).usage.window_ms,
            spells=any(finding.evidence.get("short") for finding in diagnosis.findings),
        ),
        unseen=wording.UNSEEN_ALWAYS,
        charts=drawn,
        stack=stack(case, verdict, drawn),
        seconds=site_clock(case).fine,
        beside=None if other is None else beside(diagnosis, other, direction),
    )
    note = rewritten(note, terminal)
    if pseudonyms is None:
        return note
    inside = [inside_of(one.case) for one in (diagnosis, other) if one is not None]
    note = rewritten(
        note, lambda text: pseudonyms.replaced(text, lambda address: any(known(address) for known in inside))
    )
    return replace(note, pseudonyms=True, cautions=(*note.cautions, wording.PSEUDONYMS))


def _line(text: str | None) -> str | None:
    return (text or "").strip() or None


def verdict_first(diagnosis: Diagnosis) -> tuple[Finding, ...]:
    """The findings that the verdict rests on and tells, then the others in their order."""
    verdict = diagnosis.verdict
    told = (*((verdict.finding,) if verdict.finding else ()), *verdict.also)
    known = {id(finding) for finding in told}
    return (*told, *(finding for finding in diagnosis.findings if id(finding) not in known))


def client_part(case: Case, verdict: Verdict, findings: tuple[Finding, ...]) -> ClientPart:
    audit = case.is_audit
    aside = [finding for finding in findings if _is_worth_noticing(case, finding, verdict)][:1]
    spare = next((finding for finding in findings if _is_of_a_spare_backup(finding, verdict)), None)
    about = verdict.finding.link if verdict.finding else None
    variable = any(link.variable for link in case.profile.link if link.name == about)
    return ClientPart(
        told=wording.told(_line(case.reported), site_clock(case), case.window_ms, given=case.window_given),
        saw=(
            verdict.sentence,
            *(wording.besides(finding.client, audit=audit) for finding in aside),
            *((wording.spare_backup(spare.code),) if spare else ()),
        ),
        means=client_words.means(verdict, audit=audit, variable=variable),
        next=(
            *client_words.next_step(verdict, audit=audit, variable=variable),
            *(client_words.besides_step(finding.code) for finding in aside),
            *((wording.SPARE_BACKUP_STEP,) if spare else ()),
        ),
    )


def _is_worth_noticing(case: Case, finding: Finding, verdict: Verdict) -> bool:
    """Whether a client has to know of a fault of the backup beside the verdict: not where that is what it is about."""
    if finding.code not in client_words.WORTH_NOTICING or finding.severity == "info":
        return False
    if verdict.code in client_words.ABOUT_THE_BACKUP:
        return False
    if finding.start_ms is None or finding.end_ms is None:
        return verdict.finding is None
    # With the whole site cut off, for however short a time, the backup's test goes unheard as well.
    told = (verdict.finding, *verdict.also)
    cut_off = [(one.start_ms or 0, one.end_ms or 0) for one in told if one and one.code == "outage"]
    cut_off += short_cuts(case)
    common = sum(max(min(end, finding.end_ms) - max(begin, finding.start_ms), 0) for begin, end in cut_off)
    return 2 * common <= finding.end_ms - finding.start_ms


def _is_of_a_spare_backup(finding: Finding, verdict: Verdict) -> bool:
    """Whether a fault is of a backup that the site is not on, while it is on another: the next to take over."""
    about = verdict.finding
    if (
        about is None
        or verdict.code not in client_words.ON_A_BACKUP
        or finding.code not in wording.SPARE_BACKUP
    ):
        return False
    if finding.severity == "info" or finding.link == about.link:
        return False
    begin, end = about.start_ms or 0, about.end_ms or 0
    lasts = finding.start_ms is None or finding.end_ms is None
    return lasts or ((finding.start_ms or 0) < end and (finding.end_ms or 0) > begin)


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
        notes=told(coverage.remarks),
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
    if isinstance(
        value, StateSpan
    ):  # a month has ten thousands of them, and their words are the program's own
        return part
    if isinstance(value, str):
        value = rewrite(value)
    elif isinstance(value, tuple) and not set(map(type, value)) <= _NUMBERS:  # a series is long
        value = tuple(rewritten(item, rewrite) for item in value)
    elif isinstance(value, list):
        value = [rewritten(item, rewrite) for item in value]
    elif isinstance(value, dict):
        value = {key: rewritten(item, rewrite) for key, item in value.items()}
    elif isinstance(value, Evidence):
        value = dataclasses.replace(value, **{key: rewritten(item, rewrite) for key, item in value.items()})
    elif isinstance(value, Struct):
        value = type(value)(**{name: rewritten(item, rewrite) for name, item in asdict(value).items()})
    return value  # type: ignore[no-any-return]
