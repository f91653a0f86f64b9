"""What a labelled situation expects of a diagnosis. Labels come from the model's truth, never from
flowdiag.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from flowdiag.scenario.exporting import Exporting
from flowdiag.scenario.write import Situation

Severity = Literal["info", "warning", "critical"]

# The severity of each code (documented with each finding); None: it depends, and the label says what on.
SEVERITIES: dict[str, Severity | None] = {
    "link-full": "critical",
    "below-plan": "critical",
    "on-backup": "critical",
    "flapping": "critical",
    "outage": "critical",
    "inbound-flood": "critical",
    "outbound-scan": "critical",
    "link-busy": "warning",
    "backup-leak": None,
    "keepalive-missing": "warning",
    "keepalive-unanswered": "warning",
    "keepalive-excess": "warning",
    "realtime-contention": "warning",
    "unanswered-connections": "warning",
    "export-gap": None,
    "single-host": "info",
    "keepalive-irregular": "info",
}
VERDICT_ONLY = ("not-the-link", "cannot-tell")


class Another(Exception):
    """By chance, the traffic of a situation was not what its label says."""


@dataclass(frozen=True)
class Times:
    """Bounds for a finding's own times, ms: it must start and end within them (a tolerance comes on top)."""

    start: tuple[float, float] | None = None
    end: tuple[float, float] | None = None


@dataclass(frozen=True)
class Wanted:
    """A finding that must be there. hosts: address to true share of the finding's traffic.

    severity: None asks for the usual one of the code. evidence: values that its evidence must hold.
    once: as one finding, not cut into several.
    """

    code: str
    severity: Severity | Literal["any"] | None = None
    link: str | None = None
    direction: str | None = None
    times: Times = Times()
    hosts: dict[str, float] = field(default_factory=dict)
    evidence: dict[str, Any] = field(default_factory=dict)
    once: bool = False


@dataclass(frozen=True, eq=False)
class Labelled:
    """allowed: codes that may appear without being wanted; forbidden: codes that must not appear at all.

    Any other finding at warning or above is a false alarm. healthy: nothing at all is wrong at this site.
    tolerance_ms: how far times may be off. note: a word that coverage.notes must hold. says: what the client's part
    must hold, whatever the case of its letters; hushes: what it must not. tells: moments, ms, that it must name.
    never_high: the evidence allows the verdict only below high confidence.
    """

    name: str
    situation: Situation
    exporting: Exporting
    container: Literal["pcap", "ipfix"]
    window: tuple[int, int] | None
    reported: str | None
    verdicts: tuple[str, ...]
    wanted: tuple[Wanted, ...]
    allowed: frozenset[str]
    forbidden: frozenset[str]
    healthy: bool
    tolerance_ms: int
    note: str | None = None
    foreign: bool = False  # another router exports into the same capture
    ways: tuple[str, ...] = ()  # what happens to the messages on their way (delivery.py); "gzip" for the file
    restart: tuple[int, int] | None = (
        None  # ms; the router went down with flows in its cache, and was up again
    )
    says: tuple[str, ...] = ()
    hushes: tuple[str, ...] = ()
    tells: tuple[float, ...] = ()
    never_high: bool = False
    cause_on_link: bool = False  # what explains the complaint lies on a link: an all-clear would be wrong
    complete: bool = False  # nothing about the evidence asks for less than high confidence (evidence.py)
