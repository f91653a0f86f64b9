"""What the findings about trouble beyond the link say: (summary, client), actions and doubts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Action
from flowdiag.diagnoser.wording_backup import Said
from flowdiag.diagnoser.wording_times import clocks, spells

ONE_WAY: Final = "The export shows no answers, so attempts are told by their flags alone."

SECURITY: Final = (
    Action("security contact", "Look at this host; take no counter-measures before that is done."),
    Action("helpdesk", "Pass this note to the security contact at once."),
)
SECURITY_AND_CARRIER: Final = (
    Action("security contact", "Assess the flood and decide with the carrier what to do."),
    Action("helpdesk", "Pass this note to the security contact at once and tell the carrier the times."),
)
LEFT_TO_SECURITY: Final = (
    Action("helpdesk", "Suspected attack traffic causes this; leave it to the security contact."),
)
ELSEWHERE: Final = (
    Action(
        "helpdesk", "Test the service from another place; if it fails there too, tell the client who runs it."
    ),
    Action(
        "engineer", "If it works from elsewhere, look at filters and routes between the site and the service."
    ),
)


def unanswered(
    case: Case,
    count: int,
    share: float,
    hosts: int,
    port: int,
    service: str,
    where: dict[str, Any] | None,
    start_ms: int,
    end_ms: int,
) -> Said:
    start, end = clocks(case, start_ms, end_ms)
    name = f"{service} (port {port})" if service != "unknown" else f"port {port}"
    place = f" to {where['label'] or where['address']}" if where else ""
    of = "device" if hosts == 1 else "devices"
    summary = (
        f"{count:,} connection attempts{place} on {name} from {hosts} {of} got no answer "
        f"between {start} and {end} ({share:.0%} of those tried)."
    )
    if port == 53:
        return (
            summary,
            "The service that looks up names on the Internet did not answer; your line itself was working.",
        )
    return (
        summary,
        "A service on the Internet that your devices tried to reach did not answer; your line was working.",
    )


def inbound_flood(
    case: Case, sources: int, packets_s: float, start_ms: int, end_ms: int, fills: bool
) -> Said:
    start, end = clocks(case, start_ms, end_ms)
    summary = (
        f"{sources:,} addresses sent {packets_s:,.0f} packets/s that nobody asked for to one address "
        f"of the site between {start} and {end}."
    )
    client = f"Between {start} and {end} the site was flooded with unwanted traffic from outside"
    if fills:
        summary += " This fills the link."
        client += ", which left little room on the line"
    return summary, client + "."


def floods(case: Case, parts: Sequence[tuple[int, int]], fills: bool) -> str:
    """For a client: several floods."""
    left = ", which left little room on the line" if fills else ""
    return f"The site was flooded with unwanted traffic from outside {spells(case, parts)}{left}."


def outbound_scan(
    case: Case, addresses: int, ports: Sequence[int], start_ms: int, end_ms: int, fills: bool
) -> Said:
    start, end = clocks(case, start_ms, end_ms)
    where = "port " + str(ports[0]) if len(ports) == 1 else "ports " + ", ".join(str(port) for port in ports)
    summary = (
        f"One host tried {addresses:,} outside addresses on {where} between {start} and {end}, "
        "nearly all in vain."
    )
    if fills:
        summary += " This fills the link."
    client = (
        "One device at the site is calling very many unknown addresses; "
        "a security specialist should look at it."
    )
    return summary, client
