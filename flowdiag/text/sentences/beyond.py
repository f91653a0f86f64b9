"""What the findings about trouble beyond the link say: (summary, client), actions and doubts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from flowdiag.text.action import Action
from flowdiag.text.asked import Asked
from flowdiag.text.figures import count, percent
from flowdiag.text.sentences.backup import Said
from flowdiag.text.sentences.devices import ONE_DEVICE, device
from flowdiag.text.sentences.load import name_of, stands_for_many
from flowdiag.text.sentences.times import clocks, spells

PROTOCOLS: Final = {1: "ICMP", 6: "TCP", 17: "UDP", 58: "ICMPv6"}
UDP: Final = 17
PINGS: Final = (1, 58)
# What the client knows a service as, where it is no place on the Internet.
KNOWN_AS: Final = {
    53: "The service that looks up names on the Internet did not answer; your line itself was working.",
    **dict.fromkeys(
        (500, 1194, 4500, 51820),
        "The far end of your secure tunnel (VPN) did not answer; your line itself was working.",
    ),
    **dict.fromkeys(
        (5060, 5061), "The service that connects your calls did not answer; your line itself was working."
    ),
}

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
    case: Asked,
    attempts: int,
    share: float,
    hosts: int,
    service: tuple[int, int],
    name: str,
    where: dict[str, Any] | None,
    start_ms: int,
    end_ms: int,
) -> Said:
    """service: (protocol, port). name: of the application, "unknown" where nothing is known."""
    start, end = clocks(case, start_ms, end_ms)
    protocol, port = service
    number = f"UDP port {port}" if protocol == UDP else f"port {port}"
    named = f"{name} ({number})" if name != "unknown" else number
    place = f" to {where['label'] or where['address']}" if where else ""
    tried = "requests" if protocol == UDP else "connection attempts"
    summary = (
        f"{attempts:,} {tried}{place} on {named} from {count(hosts, 'device')} got no answer "
        f"between {start} and {end} ({percent(share)} of those tried)."
    )
    somewhere = (
        "A service on the Internet that your devices tried to reach did not answer; your line was working."
    )
    return summary, KNOWN_AS.get(port, somewhere)


def inbound_flood(case: Asked, evidence: Mapping[str, Any], start_ms: int, end_ms: int) -> Said:
    """evidence: of the finding, complete."""
    start, end = clocks(case, start_ms, end_ms)
    target, port = name_of(evidence["hosts"][0]), evidence["port"]
    if port is not None:
        application = evidence["applications"][0]["application"] if evidence["applications"] else "unknown"
        known = f" ({application})" if application != "unknown" else ""
        target = f"{PROTOCOLS.get(evidence['protocol'], '')} port {port}{known} of {target}".lstrip()
    summary = (
        f"{evidence['sources']:,} addresses sent {evidence['mean_packets_s']:,} packets/s that nobody asked for "
        f"to {target} between {start} and {end}"
    )
    if evidence["from_port"] is not None:
        summary += (
            f", from their port {evidence['from_port']}: answers to questions that the site never asked"
        )
    if evidence["half_open"]:
        summary += f"; {count(evidence['half_open'], 'connection')} stayed half open"
    summary += "."
    if evidence["usual_packets_s"] is not None:
        summary += f" Usual there: {usual(evidence['usual_packets_s'])}."
    client = f"Between {start} and {end} the site was flooded with unwanted traffic from outside"
    if evidence["fills_link"]:
        summary += " This fills the link."
        return summary, f"{client}, which left little room on the line."
    return summary, f"{client}, which can overload a router or a server even while the line has room."


def usual(packets_s: float) -> str:
    return f"{packets_s:,.0f} packets/s" if packets_s >= 1.0 else "under 1 packet/s"


def floods(case: Asked, parts: Sequence[tuple[int, int]], fills: bool) -> str:
    """For a client: several floods."""
    left = ", which left little room on the line" if fills else ""
    return f"The site was flooded with unwanted traffic from outside {spells(case, parts)}{left}."


def outbound_scan(
    case: Asked, evidence: Mapping[str, Any], ports: Sequence[tuple[int, int]], start_ms: int, end_ms: int
) -> Said:
    """ports: (protocol, port) of what was tried, port 0 for pings."""
    start, end = clocks(case, start_ms, end_ms)
    summary = (
        f"One host tried {evidence['addresses_tried']:,} outside addresses {_by_what(ports)} between {start} and {end}, "
        "nearly all in vain."
    )
    if evidence["fills_link"]:
        summary += " This fills the link."
    if stands_for_many(evidence["hosts"][0]):
        summary += (
            " The address is outside the site's networks: it may be a router's own and stand for many hosts."
        )
        who = "A device at the site (the measurements do not tell which)"
    else:
        named = device(case, evidence["hosts"][0])
        who = "One device at the site" if named == ONE_DEVICE else named[0].upper() + named[1:]
    return summary, f"{who} is calling very many unknown addresses; a security specialist should look at it."


def _by_what(ports: Sequence[tuple[int, int]]) -> str:
    """ "by ping", "on port 445", "on ports 22, UDP 161 and by ping"."""
    names = [
        f"UDP {port}" if protocol == UDP else str(port) for protocol, port in ports if protocol not in PINGS
    ]
    on = [("on port " if len(names) == 1 else "on ports ") + ", ".join(names)] if names else []
    return " and ".join(on + ["by ping"] * any(protocol in PINGS for protocol, _ in ports))
