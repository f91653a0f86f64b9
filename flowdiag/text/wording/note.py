"""The note's own words: headings, what a verdict means for a client, names of figures.

Sentences about findings stand in text/sentences/; this module never repeats them.
"""

from __future__ import annotations

from typing import Final

from flowdiag.durations import MINUTE_MS, Span
from flowdiag.site.profile import Profile
from flowdiag.text.action import Action
from flowdiag.text.clock import Clock, duration
from flowdiag.text.figures import count, percent
from flowdiag.text.wording.shown import Coverage, Finding, Verdict

# Headings

TITLE: Final = "Ticket note"
FOR_CLIENT: Final = "For the client"
TOLD: Final = "What you told us"
SAW: Final = "What we saw"
MEANS: Final = "What it means"
NEXT: Final = "What happens next"
FOR_ENGINEER: Final = "For the engineer"
VERDICT: Final = "Verdict"
TO_DO: Final = "To do"
FIGURES: Final = "Figures"
DOUBT: Final = "Doubt"
FINDINGS: Final = "Findings"
NO_FINDINGS: Final = "Nothing stands out."
LINKS: Final = "Links in this time"
CHARTS: Final = "Rate over time"
TALKERS: Final = "Devices"
APPLICATIONS: Final = "Applications"
DESTINATIONS: Final = "Destinations"
ADDRESS: Final = "Address"
APPLICATION: Final = "Application"
COVERAGE: Final = "What the figures rest on"
CAUTIONS: Final = "Cautions"
METHOD: Final = "How the figures were computed"
UNSEEN: Final = "What could not be seen"

WAYS: Final = {"down": "download", "up": "upload"}
# As codes of a direction are said in tables.
DIRECTIONS: Final = {"down": "down", "up": "up"}
SEVERITIES: Final = {"critical": "Critical", "warning": "Warning", "info": "Info"}
CONFIDENCE: Final = {"high": "high confidence", "medium": "medium confidence", "low": "low confidence"}
PSEUDONYMS: Final = (
    "Addresses inside the site are replaced by pseudonyms. The same key gives a device the same pseudonym "
    "every time, and devices of one network share its beginning."
)

NOTHING_MEASURED: Final = "Nothing was measured."

# What it means, by verdict

MEANS_WITH_LESS_ROOM: Final = {
    "none at times": "The line was at its limit, or cut off, for a short time. "
    "Nothing that was measured explains more than that.",
    "little": "At times the line had little room left. Nothing that we measured shows it full, but shorter peaks may "
    "have filled it.",
}
# Where the confidence is not high, not all of the time was seen well enough to say that there was room.
MEANS_LESS_SURE: Final = (
    "Nothing that we measured shows a line short of room, but we could not see everything."
)
MEANS_OVER_PLAN: Final = (
    "No line carries more than it can, so our record of its rate, or the measurement, is wrong."
)
MEANS_OFFERED: Final = (
    "Either more was sent than the line can carry, and the rest was lost, or our record of its rate is low."
)
MEANS_OTHERWISE: Final = "An engineer will look at the details below."

# What we do next, by verdict; where the client can do something, an action says that.

WE_IN_AUDIT_AT_LIMIT: Final = "We compare this with the next check of the connection."
WE_OVER_PLAN: Final = "We compare the rate on record with your contract, correct it, and look again."
WE_OFFERED: Final = "We compare the rate on record with your contract, test the line, and look again."
WE_TEST_THE_RATE: Final = "We test what the line gives while it is quiet, and compare it with the plan."
WE_OTHERWISE: Final = "We will get back to you with the next step."
# What a client hears of a backup that would not take over from the one that the site is on.
SPARE_BACKUP: Final = {
    "keepalive-missing": "was not tested as it should be",
    "keepalive-unanswered": "did not answer its test",
}
SPARE_BACKUP_STEP: Final = (
    "We check your other backup line as well, because it would have to take over if the first one failed too."
)


def told(reported: str | None, clock: Clock, window_ms: Span, *, given: bool) -> str:
    """window_ms: what the note covers; given: it was named, not just all of the export."""
    if window_ms[1] <= window_ms[0]:
        return f"“{reported}” {NOTHING_MEASURED}" if reported else NOTHING_MEASURED
    when = clock.full_span(*window_ms)
    if reported is None:
        return f"No complaint: this is a check of the connection over {when}."
    end = "" if reported.endswith((".", "!", "?", "…")) else "."
    if given:
        return f"“{reported}”{end} We looked at {when}."
    return f"“{reported}”{end} No time was given, so we looked at all that was measured: {when}."


def besides(sentence: str, *, audit: bool) -> str:
    """A fault that the client has to know of, although it is not what the verdict is about."""
    what = "" if audit else ", which does not explain this"
    return f"We also noticed something else{what}: {sentence[:1].lower()}{sentence[1:]}"


def spare_backup(code: str) -> str:
    """A fault of a backup that the site was not on while it was on another; code: one of SPARE_BACKUP."""
    return f"Meanwhile your other backup line {SPARE_BACKUP[code]}, so it might not have taken over from the first one."


def rests_on(verdict: Verdict) -> str:
    """; it rests on findings 1 and 2: the verdict's findings come first in a note. Empty where there is none."""
    if verdict.finding is None:
        return ""
    last = 1 + len(verdict.also)
    if last == 1:
        return "; it rests on finding 1"
    return f"; it rests on findings 1 {'and' if last == 2 else 'to'} {last}"


def who(step: Action) -> str:
    """Engineer"""
    return AUDIENCES[step.who]


def action(step: Action) -> str:
    """Engineer: Limit bulk transfers."""
    return f"{who(step)}: {step.text}"


AUDIENCES: Final = {
    "client": "Client",
    "helpdesk": "Helpdesk",
    "field engineer": "Field engineer",
    "engineer": "Engineer",
    "security contact": "Security contact",
    "account manager": "Account manager",
}

# The engineer's part

_FRAMING: Final = {
    "ip": "IP octets alone",
    "ethernet": "IP octets and 18 octets of Ethernet framing a packet",
    "wire": "IP octets and 38 octets of Ethernet framing, preamble and gap a packet",
    "pppoe": "IP octets and 46 octets of Ethernet framing, preamble, gap and PPPoE a packet",
}


def method(profile: Profile, window_ms: int, *, spells: bool) -> tuple[str, ...]:
    """How the figures of this site's note were computed. window_ms: length of their windows; spells: whether the note tells
    short full spells.
    """
    whole = window_ms >= MINUTE_MS
    each, own = ("minute", "") if whole else ("window", "; minutes are those of such windows")
    if spells:
        own += "; a short full spell counts with its own seconds"
    limits = profile.thresholds
    framings = list(dict.fromkeys(link.framing for link in profile.link))
    if len(framings) == 1:
        counted = [f"Rates count {_FRAMING[framings[0]]}, as the plan does; 1 Mbit/s is 10^6 bit/s."]
    else:
        counted = [
            f"Rates of {link.name} count {_FRAMING[link.framing]}, as its plan does." for link in profile.link
        ]
    return (
        "The octets of a flow record are spread evenly over the time from its first to its last packet, "
        f"in windows of {'one minute' if whole else duration(window_ms)}.",
        *counted,
        f"A {each} counts as a whole, by its mean: busy from {percent(limits.busy)} of the plan's rate on, and full from "
        f"{percent(limits.full)}; busy minutes include the full ones{own}.",
        f"The 95th percentile is the nearest-rank one of five-minute rates. Peaks are single {each}s.",
        "Volumes are IP octets as exported, scaled for sampling; shares are parts of all octets on the "
        "links, both directions summed.",
    )


UNSEEN_ALWAYS: Final = (
    "Delay, packet loss and errors on the line are not in flow records; nor is the Wi-Fi.",
    "The contents of the traffic and the people behind a device are not in flow records.",
)


def coverage_rows(coverage: Coverage, clock: Clock) -> tuple[tuple[str, str], ...]:
    """(name, figure) of what the export held."""
    first, last = coverage.first_ms, coverage.last_ms
    span = "no flow with a time" if first is None or last is None else clock.full_span(first, last)
    rows = [
        ("Flow records", f"{coverage.records:,}"),
        ("Export covers", span),
        ("Exporter heard", f"{percent(coverage.heard)} of the time looked at"),
        ("Records lost", _lost(coverage)),
    ]
    if coverage.undecoded_records:
        rows.append(("Records not decoded", f"{coverage.undecoded_records:,}"))
    rows.append(
        (
            "Sampling",
            f"1 packet in {coverage.sampling:,.0f}"
            if coverage.sampling > 1
            else "none, every packet counted",
        )
    )
    assumed = "" if coverage.resolution_known else " (assumed)"
    rows.append(("Time resolution", f"{count(coverage.resolution_s, 'second')}{assumed}"))
    return tuple(rows)


def per_cent(value: float) -> str:
    """Two figures of a share that is in per cent already; never "100%" for less than all."""
    if 0.0 < value < 0.01:
        return "under 0.01%"
    return f"{value:.2g}%" if value < 9.95 else f"{100 if value >= 100 else min(round(value), 99)}%"


def _lost(coverage: Coverage) -> str:
    if not coverage.lost_records:
        return "none"
    about = "about " if coverage.lost_is_estimate else ""
    return f"{about}{coverage.lost_records:,} ({per_cent(coverage.lost_percent)})"


def finding_facts(finding: Finding, clock: Clock, window_ms: Span) -> tuple[str, ...]:
    """Where, when and how sure, of a finding; with days where it is not all on the one day of the window."""
    facts = [place(finding)] if finding.link or finding.direction else []
    start, end = finding.start_ms, finding.end_ms
    if start is not None and end is not None:
        dated = not clock.same_day(min(start, window_ms[0]), max(end, window_ms[1]))
        facts.append(clock.span(start, end, day=dated))
    return (*facts, CONFIDENCE[finding.confidence])


def place(finding: Finding) -> str:
    """ "fibre upload", or one of them."""
    return " ".join(part for part in (finding.link, WAYS.get(finding.direction or "")) if part)


def subtitle(window_ms: Span, clock: Clock) -> str:
    """What the note covers, for its head."""
    if window_ms[1] <= window_ms[0]:
        return NOTHING_MEASURED
    return clock.full_span(*window_ms)


def only_of(link: str | None, direction: str | None) -> str:
    """A caution on a diagnosis of one link or direction; one of them is given."""
    way = DIRECTIONS.get(direction or "")
    shown = " ".join(part for part in (link and f'link "{link}"', way) if part)
    return f"Figures and findings are those of {shown} only; the verdict looks at all."


def title(ticket: str | None, site: str) -> str:
    """Ticket note T-1042: Harbour Lane Clinic"""
    return f"{TITLE}{f' {ticket}' if ticket else ''}: {site}"
