"""A link that an attack fills: what to do about it is the security contact's, not the client's."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from msgspec.structs import replace

from flowdiag.diagnoser.finding import Finding
from flowdiag.text.sentences.beyond import LEFT_TO_SECURITY

ATTACKS: Final = ("inbound-flood", "outbound-scan")
# Findings whose usual advice is about the traffic of ordinary work.
ABOUT_LOAD: Final = ("link-full", "link-busy", "single-host")


def left_to_security(findings: Sequence[Finding]) -> list[Finding]:
    """The findings, with the advice of those that an attack explains replaced by one step.

    A finding of load is explained where an attack that fills its link overlaps it in the same direction;
    single-host where its host is the attack's.
    """
    attacks = [finding for finding in findings if finding.code in ATTACKS]
    return [
        replace(finding, actions=LEFT_TO_SECURITY)
        if finding.code in ABOUT_LOAD and any(_explains(attack, finding) for attack in attacks)
        else finding
        for finding in findings
    ]


def _explains(attack: Finding, finding: Finding) -> bool:
    if finding.code == "single-host":
        return _first_host(attack) is not None and _first_host(attack) == _first_host(finding)
    if not attack.evidence.get("fills_link"):
        return False
    if (attack.link, attack.direction) != (finding.link, finding.direction):
        return False
    if None in (attack.start_ms, attack.end_ms, finding.start_ms, finding.end_ms):
        return False
    return attack.start_ms < finding.end_ms and finding.start_ms < attack.end_ms  # type: ignore[operator]


def _first_host(finding: Finding) -> str | None:
    hosts = finding.evidence.get("hosts")
    return hosts[0]["address"] if hosts else None
