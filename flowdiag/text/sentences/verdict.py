"""What the verdicts without a finding say, and the findings that never are a verdict; and the cautions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from flowdiag.text.action import Action
from flowdiag.text.asked import Asked
from flowdiag.text.clock import duration
from flowdiag.text.figures import count, fine_percent, percent, rate, volume
from flowdiag.text.sentences.backup import Said
from flowdiag.text.sentences.links import called, whose_line
from flowdiag.text.sentences.load import WAYS, name_of
from flowdiag.text.sentences.seen import AtLimit
from flowdiag.text.sentences.times import span, zoned_span

LOOK_ELSEWHERE: Final = (
    Action("client", "Try the same with a cable instead of Wi-Fi, and from a second device."),
    Action(
        "helpdesk",
        "Ask which service is slow, and test it from another place; it may be slow at the far end.",
    ),
    Action("helpdesk", "Look at the line's errors, loss and delay; flow records do not show them."),
    Action("field engineer", "If only some rooms or devices are slow, survey the Wi-Fi."),
)
# Where nothing came in for a moment: no matter of radio.
INTERRUPTION: Final = (
    Action("client", "Tell us whether the trouble came at that moment, and note the time if it comes again."),
    Action(
        "helpdesk",
        "Look in the router's log, and ask the carrier, for an interruption at the times when nothing came in.",
    ),
    *(action for action in LOOK_ELSEWHERE if action.who == "helpdesk"),
)
# Without a complaint there is nothing to look for elsewhere.
COMPARE: Final = (Action("account manager", "Compare this with the next check of the connection."),)
LOOK_NEXT: Final = " Look next at the Wi-Fi, the device, the far end and the quality of the line."
LOOK_AT_THE_MOMENT: Final = (
    " The connection may have been interrupted then; for a longer trouble look next at the device, the far end and the "
    "quality of the line."
)
LOOK_AT_THE_SERVICE: Final = " Look next at that service and at the way to it."
TEST_THE_RATE: Final = (
    Action("helpdesk", "Test the line's rate while it is quiet, and compare it with the plan."),
)
GET_AN_EXPORT: Final = (
    Action("helpdesk", "Get an export that covers the time asked about and run the diagnosis again."),
    Action("engineer", "Check that the router exports its interfaces and all its traffic."),
)
EXPORT_INTERFACES: Final = (
    Action("engineer", "Let the router export the ingress and egress interface of each flow."),
    Action("helpdesk", "Run the diagnosis again on an export that has them."),
)
CORRECT_INTERFACES: Final = (
    Action("engineer", "Correct the interfaces in the site profile; `flowdiag inspect` lists those in use."),
    Action("helpdesk", "Check that this export is the site's."),
)


def look_next(case: Asked, *, interrupted: bool = False, unanswered: bool = False) -> tuple[Action, ...]:
    """What to do where the line had room; interrupted: but nothing came in for a moment; unanswered: but a service that a
    host tried did not answer.
    """
    if case.is_audit:
        return (*INTERRUPTION[1:2], *COMPARE) if interrupted else COMPARE
    if interrupted:
        return INTERRUPTION
    return tuple(action for action in LOOK_ELSEWHERE if not unanswered or action.who == "helpdesk")


# Findings that are never the verdict


def single_host(case: Asked, evidence: Mapping[str, Any]) -> Said:
    host = evidence["hosts"][0]
    part, size = percent(host["share"]), volume(evidence["octets"])
    summary = f"{name_of(host)} had {part} of all traffic in the window ({size})"
    applications = evidence["applications"]
    if applications and applications[0]["application"] != "unknown":
        summary += f", {percent(applications[0]['share'])} of it {applications[0]['application']}"
    return summary + ".", f"One device caused {percent(host['share'])} of all traffic in that time."


def silence(
    case: Asked, parts: Sequence[tuple[int, int]], share: float, lost: int, *, restarted: bool
) -> Said:
    start, end = parts[0][0], parts[-1][1]
    lasting = duration(sum(b - a for a, b in parts))
    spells = f" in {len(parts)} spells" if len(parts) > 1 else ""
    summary = f"The export has no records {zoned_span(case, start, end)}{spells} ({lasting}"
    summary += f", {percent(share)} of the window)" if share > 0.0 else ")"
    summary += f"; sequence numbers say that {count(lost, 'record')} {_were(lost)} lost" if lost else ""
    summary += "; the exporter restarted meanwhile" if restarted else ""
    summary += ". Figures over this time are lower bounds."
    why = "; the measuring router restarted meanwhile" if restarted else ""
    return summary, f"We have no measurements {span(case, start, end)}{why}."


def restart(case: Asked, start_ms: int, end_ms: int) -> Said:
    summary = (
        f"The exporter restarted: it has no records {zoned_span(case, start_ms, end_ms)} "
        f"({duration(end_ms - start_ms)}), and what it had not reported before is lost. Figures over this time are lower "
        "bounds."
    )
    return summary, f"The measuring router restarted; we have no measurements {span(case, start_ms, end_ms)}."


def _were(number: int) -> str:
    return "was" if number == 1 else "were"


def loss(case: Asked, lost: int, share: float, estimate: bool) -> Said:
    about = "About " if estimate else ""
    summary = (
        f"{about}{count(lost, 'record')} ({fine_percent(share)}) {_were(lost)} lost between exporter and collector; "
        "all figures are lower bounds."
    )
    return summary, f"About {fine_percent(share)} of the measurements are missing, so figures may be too low."


def realtime(
    case: Asked,
    link: int,
    direction: int,
    start_ms: int,
    end_ms: int,
    evidence: Mapping[str, Any],
    known: bool,
) -> Said:
    calls = count(evidence["calls"], "call or other real-time stream", "calls or other real-time streams")
    way, name = WAYS[direction], called(case.profile.link[link].name)
    marked = "without priority marking" if known else "and whether they were marked for priority is not known"
    summary = (
        f"{calls} ({rate(evidence['mean_mbps'])}) shared the full {way} of {name} "
        f"{zoned_span(case, start_ms, end_ms)}, {marked}."
    )
    client = (
        f"Calls shared your {whose_line(case, link)}'s full {way} {span(case, start_ms, end_ms)} "
        "without priority, which makes them freeze and break up."
    )
    return summary, client


# Verdicts


OUTSIDE: Final = "the measurements do not cover that time."
LINKS_NOT_APART: Final = "the measurements do not say which of the lines carried what."
NOTHING_READ: Final = "no traffic was measured."
NO_LINKS: Final = "no line of this site is described yet."
NOTHING_ON_LINKS: Final = "none of what was measured ran over the lines that we know of."
NOTHING_ON_LINKS_REASON: Final = (
    "No record crosses an interface of the profile's links; compare their numbers with `flowdiag inspect`."
)


def cannot_tell(case: Asked) -> str:
    """The beginning of every such sentence."""
    return f"We cannot tell whether the line {'had room' if case.is_audit else 'was the cause'}: "


def too_little(covered: float) -> str:
    return f"only {percent(covered)} of that time was measured."


def too_short(case: Asked, limits: Sequence[AtLimit], limited_ms: int) -> str:
    """limits: of one link; limited_ms: how long one or another of them was reached."""
    line, ways = whose_line(case, limits[0].link), " or ".join(WAYS[limit.direction] for limit in limits)
    return (
        f"only {duration(limits[0].covered_ms)} were looked at, and your {line}'s {ways} was at its limit for "
        f"{duration(limited_ms)} of them. That is too short to tell a passing burst from a full line."
    )


NOT_COVERED_REASON: Final = "The window lies outside the export."
LINKS_REASON: Final = "The records carry no interface numbers, and the profile has several links."


def too_little_reason(covered: float) -> str:
    return (
        f"The exporter was heard in {percent(covered)} of the window, and nothing in that part explains the "
        "complaint."
    )


# Cautions

PORTS_ARE_CONVENTIONS: Final = "Applications are named after port numbers, which is only a convention."
LOWER_BOUNDS: Final = "Records were lost or are missing, so octets and rates are lower bounds."
OPEN_RECORDS: Final = (
    "The window reaches the end of the export: traffic still going on there has not been reported yet, so "
    "the last minutes look emptier than they were."
)
ROUTER_STANDS_FOR_ALL: Final = (
    "A device named here has an address outside the site's networks: where the router translates addresses, its own "
    "address stands for all hosts behind it."
)
SECURITY_CAUTION: Final = (
    "A suspected attack goes to the security contact; no counter-measures are suggested here."
)


def sampled(sampling: float) -> str:
    return (
        f"The router looked at one packet in {sampling:,.0f}; octets and packets are scaled up and carry "
        "sampling error."
    )


def resolution(seconds: int, known: bool) -> str:
    if not known:
        return f"Too few long flows to tell the export's resolution; {count(seconds, 'second')} are assumed."
    return (
        f"Bursts shorter than {count(seconds, 'second')} cannot be seen, because one record covers that long."
    )
