"""The note as JSON, schema `flowdiag.note/1` (note.schema.json). Keys may be added, never changed."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from flowdiag.aggregator.figures import DirectionFigures, Ranked
from flowdiag.diagnoser.finding import Finding
from flowdiag.note.model import Note
from flowdiag.note.wording import action
from flowdiag.site.clock import Clock

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
        "links": [
            {
                "name": link.name,
                "role": link.role,
                "down": _direction(link.down),
                "up": _direction(link.up),
            }
            for link in note.links
        ],
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
    }


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
        "evidence": finding.evidence,
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
