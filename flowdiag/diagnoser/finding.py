"""A finding is data: code, severity, confidence, link, direction, times, evidence, actions.

Formats render it; none of them computes anything.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from msgspec import Struct, field

from flowdiag.text.action import Action

Severity = Literal["info", "warning", "critical"]
Confidence = Literal["low", "medium", "high"]


class Finding(Struct, frozen=True):
    """start_ms, end_ms: ms since 1970 UTC, None where the finding has no times of its own.

    evidence: an `Evidence` of its kind: figures with their unit in the key (mean_mbps, full_minutes), for hosts and destinations
    the keys
    hosts, applications, destinations: lists of {"address", "label", "share"} or {"application", "share"}.
    client: one plain sentence without jargon or addresses; summary: one plain sentence with the figures.
    """

    code: str
    severity: Severity
    confidence: Confidence
    summary: str
    client: str
    link: str | None = None
    direction: Literal["down", "up"] | None = None
    start_ms: int | None = None
    end_ms: int | None = None
    evidence: Mapping[str, Any] = field(default_factory=dict)
    actions: tuple[Action, ...] = ()
    doubts: tuple[str, ...] = ()  # why the confidence is not higher


Room = Literal["enough", "little", "none at times"]


class Verdict(Struct, frozen=True):
    """also: further findings that the sentence tells beside the one it rests on.
    room: that the lines had all along; "little" where one came near its limit, "none at times" where one was at its limit,
    or cut off, for a while, though too briefly for a finding of its own.
    """

    code: str
    sentence: str  # plain words for the client
    confidence: Confidence
    finding: Finding | None = None  # the finding it rests on; None for not-the-link and cannot-tell
    reasons: tuple[str, ...] = ()
    next_steps: tuple[Action, ...] = ()
    room: Room = "enough"
    also: tuple[Finding, ...] = ()
