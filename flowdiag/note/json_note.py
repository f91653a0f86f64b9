"""The note as JSON, schema `flowdiag.note/1` (note.schema.json). Keys may be added, never changed."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from flowdiag.aggregator.figures import DirectionFigures, Ranked
from flowdiag.diagnoser.comparison import Comparison
from flowdiag.diagnoser.finding import Finding
from flowdiag.note.model import Note
from flowdiag.text.clock import Clock
from flowdiag.text.wording.note import action

SCHEMA: Final = "flowdiag.note/1"
SCHEMA_FILE: Final = Path(__file__).with_name("note.schema.json")  # JSON Schema 2020-12


def render(note: Note) -> str:
    """One JSON object, keys in a fixed order, ending with a newline."""
    return json.dumps(as_dict(note), ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def as_dict(note: Note) -> dict[str, Any]:
    """Rates in Mbit/s with the link's framing; bytes are IP octets scaled for sampling; times ISO 8601."""
    clock = note.clock
    coverage = note.coverage
    return {
        "schema": SCHEMA,
        "ticket": note.ticket,
        "site": note.site,
        "reported": note.reported,
        "window": {"from": clock.iso(note.window_ms[0]), "to": clock.iso(note.window_ms[1])},
        "timezone": note.timezone,
        "pseudonyms": note.pseudonyms,
        "verdict": {
            "code": note.verdict.code,
            "sentence": note.verdict.sentence,
            "confidence": note.verdict.confidence,
            "reasons": list(note.verdict.reasons),
        },
        "client": {
            "told": note.client.told,
            "saw": list(note.client.saw),
            "means": note.client.means,
            "next": list(note.client.next),
        },
        "findings": [_finding(finding, clock) for finding in note.findings],
        "links": [_link(link.name, link.role, link.down, link.up) for link in note.links],
        "talkers": [
            {
                "address": row.key,
                "label": row.label,
                "bytes": row.octets,
                "packets": row.packets,
                "flows": row.flows,
                "share": round(row.share, 4),
            }
            for row in note.talkers
        ],
        "applications": [dict(_ranked("application", row)) for row in note.applications],
        "destinations": [dict(_ranked("address", row)) for row in note.destinations],
        "coverage": {
            "records": coverage.records,
            "first": _time(clock, coverage.first_ms),
            "last": _time(clock, coverage.last_ms),
            "heard_percent": round(100.0 * coverage.heard, 2),
            "lost_records": coverage.lost_records,
            "lost_percent": round(coverage.lost_percent, 4),
            "lost_is_estimate": coverage.lost_is_estimate,
            "undecoded_records": coverage.undecoded_records,
            "sampling": whole(coverage.sampling),
            "resolution_s": coverage.resolution_s,
            "resolution_known": coverage.resolution_known,
            "notes": list(coverage.notes),
        },
        "cautions": list(note.cautions),
        "comparison": None if note.beside is None else _comparison(note.beside.comparison, clock),
    }


def _comparison(compared: Comparison, clock: Clock) -> dict[str, Any]:
    verdict = compared.other_verdict
    ways = zip(compared.pairs[::2], compared.pairs[1::2], strict=True)
    links = [
        _link(down.link, down.role, down.other, up.other) for down, up in ways if down.other and up.other
    ]
    about = None
    if compared.about is not None:
        about = {"link": compared.about[0], "direction": compared.about[1]}
    return {
        "window": {"from": clock.iso(compared.other_ms[0]), "to": clock.iso(compared.other_ms[1])},
        "sentence": compared.sentence,
        "differs": compared.differs,
        "about": about,
        "verdict": None if verdict is None else {"code": verdict.code, "confidence": verdict.confidence},
        "covered_percent": round(100.0 * compared.other_covered, 2),
        "links": links or None,
        "changes": [
            {
                "kind": shift.kind,
                "name": shift.key,
                "label": shift.label,
                "bytes": shift.asked_octets,
                "compared_bytes": shift.other_octets,
            }
            for shift in (compared.shifts.largest if compared.shifts else ())
        ],
        "doubts": list(compared.doubts),
    }


def _link(name: str, role: str, down: DirectionFigures, up: DirectionFigures) -> dict[str, Any]:
    return {"name": name, "role": role, "down": _direction(down), "up": _direction(up)}


def _finding(finding: Finding, clock: Clock) -> dict[str, Any]:
    return {
        "code": finding.code,
        "severity": finding.severity,
        "confidence": finding.confidence,
        "link": finding.link,
        "direction": finding.direction,
        "from": _time(clock, finding.start_ms),
        "to": _time(clock, finding.end_ms),
        "summary": finding.summary,
        "client": finding.client,
        "evidence": dict(finding.evidence),
        "actions": [action(step) for step in finding.actions],
        "doubts": list(finding.doubts),
    }


def _direction(figures: DirectionFigures) -> dict[str, float]:
    return {
        "capacity_mbps": whole(figures.capacity_mbps),
        "mean_mbps": round(figures.mean_mbps, 6),
        "p95_mbps": round(figures.p95_mbps, 6),
        "peak_mbps": round(figures.peak_mbps, 6),
        "peak_window_s": whole(figures.peak_window_s),
        "bytes": figures.octets,
        "busy_minutes": whole(figures.busy_minutes),
        "full_minutes": whole(figures.full_minutes),
    }


def _ranked(key: str, row: Ranked) -> Iterator[tuple[str, Any]]:
    yield key, row.key
    if key == "address":
        yield "label", row.label
    yield from (("bytes", row.octets), ("packets", row.packets), ("flows", row.flows))
    yield "share", round(row.share, 4)


def _time(clock: Clock, ms: int | None) -> str | None:
    return None if ms is None else clock.iso(ms)


def whole(number: float) -> float:
    """100 rather than 100.0, as plans are written."""
    return int(number) if float(number).is_integer() else number
