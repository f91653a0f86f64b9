"""Holds a diagnosis against its labels."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

from jsonschema import Draft202012Validator

from flowdiag.diagnoser.evidence_schema import evidence_schema
from flowdiag.diagnoser.kinds import kind_of
from flowdiag.note.compose import client_part
from flowdiag.text.wording.coverage import told
from tests.scenarios.claims import untrue_claims
from tests.scenarios.labels import SEVERITIES, Labelled, Wanted

SHARE_TOLERANCE = 0.02
# Behind a forbidden code: short spells may be told all the same.
SUSTAINED = ":sustained"
ROUNDING = 1e-9
NEAR_MINUTES = 2  # between a moment and its name in a sentence
ALARMING = ("warning", "critical")


@dataclass
class Score:
    """How one diagnosis did. hits, misses, alarms: codes, once per label or false alarm."""

    name: str
    healthy: bool
    verdict_wanted: tuple[str, ...]
    verdict: str = ""
    hits: list[str] = field(default_factory=list)
    misses: list[str] = field(default_factory=list)
    alarms: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)  # forbidden codes that did stay away
    time_errors: list[tuple[str, float, float]] = field(default_factory=list)  # code, error s, tolerance s
    share_errors: list[tuple[str, float]] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)  # everything wrong, in words
    seconds: float = 0.0
    confidence: str = ""
    claims: list[str] = field(
        default_factory=list
    )  # sentences of the verdict that the truth does not bear out
    overclaimed: bool = False  # high, which its evidence does not allow
    cause_on_link: bool = False
    complete: bool = False

    @property
    def verdict_right(self) -> bool:
        return self.verdict in self.verdict_wanted


def misshapen(diagnosis: Any) -> list[str]:
    """What of the findings' evidence is not as the schema of their kind says."""
    return [
        f"{finding.code}: {error.json_path}: {error.message}"
        for finding in diagnosis.findings
        for error in _shape(finding.code).iter_errors(dict(finding.evidence))
    ]


@cache
def _shape(code: str) -> Draft202012Validator:
    return Draft202012Validator(evidence_schema(kind_of(code).evidence))


def judge(labelled: Labelled, diagnosis: Any) -> Score:
    """diagnosis: flowdiag.diagnoser.diagnosis.Diagnosis."""
    score = Score(labelled.name, labelled.healthy, labelled.verdicts, diagnosis.verdict.code)
    score.confidence = diagnosis.verdict.confidence
    score.claims = untrue_claims(labelled, diagnosis) + misshapen(diagnosis)
    score.cause_on_link, score.complete = labelled.cause_on_link, labelled.complete
    if not score.verdict_right:
        score.faults.append(f"verdict {score.verdict}, wanted {' or '.join(labelled.verdicts)}")
    findings = list(diagnosis.findings)
    for wanted in labelled.wanted:
        _judge_wanted(wanted, findings, labelled.tolerance_ms, score)
    _judge_unwanted(labelled, findings, score)
    _judge_claims(labelled, diagnosis, score)
    notes = " ".join(told(diagnosis.case.coverage.remarks))
    if labelled.note and labelled.note not in notes:
        score.faults.append(f"coverage notes lack the word {labelled.note!r}")
    return score


def _judge_claims(labelled: Labelled, diagnosis: Any, score: Score) -> None:
    """What the note says about its own certainty, and to the client."""
    if labelled.never_high and diagnosis.verdict.confidence == "high":
        score.overclaimed = True
        score.faults.append("the verdict is high, which its evidence does not allow")
    if labelled.says or labelled.hushes or labelled.tells:
        _judge_client(labelled, diagnosis, score)
    for link in diagnosis.links:
        for way, figures in (("down", link.down), ("up", link.up)):
            if figures.mean_mbps > figures.peak_mbps * (1 + ROUNDING):
                score.faults.append(
                    f"{link.name} {way}: mean {figures.mean_mbps} above peak {figures.peak_mbps}"
                )


def _judge_client(labelled: Labelled, diagnosis: Any, score: Score) -> None:
    client = client_part(diagnosis.case, diagnosis.verdict, diagnosis.findings)
    part = " ".join((client.told, *client.saw, client.means, *client.next)).casefold()
    score.faults += [
        f"the client is not told {word!r}" for word in labelled.says if word.casefold() not in part
    ]
    score.faults += [f"the client is told {word!r}" for word in labelled.hushes if word.casefold() in part]
    zone = ZoneInfo(labelled.situation.site.timezone)
    named = {
        60 * int(hour) + int(minute) for hour, minute in re.findall(r"\b(\d\d):(\d\d)", " ".join(client.saw))
    }
    for moment in labelled.tells:
        local = datetime.fromtimestamp(moment / 1000, zone)
        if not any(abs(60 * local.hour + local.minute - minute) <= NEAR_MINUTES for minute in named):
            score.faults.append(f"the client is not told of {local:%H:%M}")


def _judge_wanted(wanted: Wanted, findings: list[Any], tolerance_ms: int, score: Score) -> None:
    same = [
        finding
        for finding in findings
        if finding.code == wanted.code
        and bool(finding.evidence.get("short")) <= _short_is_meant(wanted)
        and wanted.link in (None, finding.link)
        and wanted.direction in (None, finding.direction)
    ]
    same = _near_in_time(wanted, same, tolerance_ms)
    if not same:
        score.misses.append(wanted.code)
        where = " ".join(filter(None, (wanted.link, wanted.direction)))
        score.faults.append(f"missed {wanted.code} {where}".rstrip())
        return
    score.hits.append(wanted.code)
    _judge_times(wanted, same, tolerance_ms, score)
    severity = wanted.severity or SEVERITIES[wanted.code]
    if wanted.once and len(same) > 1:
        score.faults.append(f"{wanted.code} is cut into {len(same)}")
    got = {finding.severity for finding in same}
    if severity and severity != "any" and severity not in got:
        score.faults.append(f"{wanted.code} is {', '.join(sorted(got))}, wanted {severity}")
    for key, value in wanted.evidence.items():
        seen = [finding.evidence.get(key) for finding in same]
        if value not in seen:
            score.faults.append(f"{wanted.code} has {key} {seen}, wanted {value}")
    listed: dict[str, float] = {}
    for finding in same:
        for host in finding.evidence.get("hosts", ()):
            listed.setdefault(host["address"], host["share"])
    for address, share in wanted.hosts.items():
        error = abs(listed.get(address, 0.0) - share)
        score.share_errors.append((wanted.code, error))
        if error > SHARE_TOLERANCE:
            got_share = f"{listed[address]:.3f}" if address in listed else "not named"
            score.faults.append(f"{wanted.code} share of {address} is {got_share}, wanted {share:.3f}")


def _short_is_meant(wanted: Wanted) -> bool:
    """Whether a finding about a spell too short for a verdict may be what is wanted."""
    return wanted.severity in ("any", "info") or bool(wanted.evidence.get("short"))


def _near_in_time(wanted: Wanted, findings: list[Any], tolerance_ms: int) -> list[Any]:
    """Of findings with times, those that overlap the wanted time, if any time is wanted."""
    start, end = wanted.times.start, wanted.times.end
    if start is None and end is None:
        return findings
    low = (start[0] if start else float("-inf")) - tolerance_ms
    high = (end[1] if end else float("inf")) + tolerance_ms
    return [
        finding
        for finding in findings
        if finding.start_ms is None
        or finding.end_ms is None
        or (finding.start_ms < high and finding.end_ms > low)
    ]


def _judge_times(wanted: Wanted, same: list[Any], tolerance_ms: int, score: Score) -> None:
    starts = [finding.start_ms for finding in same if finding.start_ms is not None]
    ends = [finding.end_ms for finding in same if finding.end_ms is not None]
    for bounds, values, pick, which in (
        (wanted.times.start, starts, min, "start"),
        (wanted.times.end, ends, max, "end"),
    ):
        if bounds is None:
            continue
        if not values:
            score.faults.append(f"{wanted.code} has no {which}")
            continue
        value = pick(values)
        error = max(bounds[0] - value, value - bounds[1], 0)
        score.time_errors.append((wanted.code, error / 1000, tolerance_ms / 1000))
        if error > tolerance_ms:
            score.faults.append(f"{wanted.code} {which} is {error / 1000:.0f} s off")


def _judge_unwanted(labelled: Labelled, findings: list[Any], score: Score) -> None:
    wanted = {wish.code for wish in labelled.wanted}
    seen = set()
    for finding in findings:
        if finding.code in wanted:
            continue
        seen.add(finding.code)
        alarming = finding.severity in ALARMING and finding.code not in labelled.allowed
        forbidden = finding.code in labelled.forbidden or (
            f"{finding.code}{SUSTAINED}" in labelled.forbidden and not finding.evidence.get("short")
        )
        if alarming or forbidden:
            score.alarms.append(finding.code)
            score.faults.append(f"false {finding.code} ({finding.severity}): {finding.summary}")
    forbidden_codes = {code.removesuffix(SUSTAINED) for code in labelled.forbidden}
    score.refused += sorted(forbidden_codes - seen - wanted)
