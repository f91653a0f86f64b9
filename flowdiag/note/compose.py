"""A diagnosis becomes a note: times in the site's zone, addresses as text, figures rounded to the evidence."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from flowdiag.aggregator.figures import DirectionFigures, Ranked
from flowdiag.diagnoser.diagnosis import Diagnosis
from flowdiag.diagnoser.finding import Finding
from flowdiag.note.model import Note

SCHEMA = "flowdiag.note/1"


def compose(diagnosis: Diagnosis, *, ticket: str | None = None) -> Note:
    """The note of a diagnosis. ticket: the desk's reference."""
    case = diagnosis.case
    zone = ZoneInfo(case.profile.site.timezone)
    coverage = case.coverage
    expected = coverage.records + coverage.lost_records

    def iso(ms: int | None) -> str | None:
        return None if ms is None else datetime.fromtimestamp(ms / 1000, zone).isoformat(timespec="seconds")

    def finding(f: Finding) -> dict[str, Any]:
        return {
            "code": f.code,
            "severity": f.severity,
            "confidence": f.confidence,
            "link": f.link,
            "direction": f.direction,
            "from": iso(f.start_ms),
            "to": iso(f.end_ms),
            "summary": f.summary,
            "evidence": f.evidence,
            "actions": [action.text for action in f.actions],
        }

    document = {
        "schema": SCHEMA,
        "ticket": ticket,
        "site": case.profile.site.name,
        "reported": case.reported,
        "window": {"from": iso(case.window_ms[0]), "to": iso(case.window_ms[1])},
        "verdict": {
            "code": diagnosis.verdict.code,
            "sentence": diagnosis.verdict.sentence,
            "confidence": diagnosis.verdict.confidence,
        },
        "findings": [finding(f) for f in diagnosis.findings],
        "links": [
            {"name": k.name, "role": k.role, "down": _figures(k.down), "up": _figures(k.up)}
            for k in diagnosis.links
        ],
        "talkers": [_place(r) for r in diagnosis.talkers],
        "applications": [
            {"application": r.key, "bytes": r.octets, "share": round(r.share, 4)}
            for r in diagnosis.applications
        ],
        "destinations": [_place(r) for r in diagnosis.destinations],
        "coverage": {
            "records": coverage.records,
            "first": iso(coverage.first_ms),
            "last": iso(coverage.last_ms),
            "lost_records": coverage.lost_records,
            "lost_percent": round(100 * coverage.lost_records / expected, 2) if expected else 0.0,
            "undecoded_records": coverage.undecoded_records,
            "sampling": round(coverage.sampling, 3),
            "resolution_s": coverage.resolution_s,
            "notes": list(coverage.notes),
        },
        "cautions": list(diagnosis.cautions),
    }
    return Note(document, diagnosis.verdict, diagnosis.findings)


def _figures(f: DirectionFigures) -> dict[str, Any]:
    return {
        "capacity_mbps": f.capacity_mbps,
        "mean_mbps": round(f.mean_mbps, 3),
        "p95_mbps": round(f.p95_mbps, 3),
        "peak_mbps": round(f.peak_mbps, 3),
        "bytes": f.octets,
        "busy_minutes": f.busy_minutes,
        "full_minutes": f.full_minutes,
    }


def _place(r: Ranked) -> dict[str, Any]:
    return {
        "address": r.key,
        "label": r.label,
        "bytes": r.octets,
        "packets": r.packets,
        "flows": r.flows,
        "share": round(r.share, 4),
    }
