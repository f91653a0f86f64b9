"""The note: one object that every format renders; no format computes anything."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from flowdiag.diagnoser.finding import Finding, Verdict


@dataclass(frozen=True)
class Note:
    """document: the JSON note (contract of the format), in key order; the rest is what people read."""

    document: dict[str, Any]
    verdict: Verdict
    findings: tuple[Finding, ...]
